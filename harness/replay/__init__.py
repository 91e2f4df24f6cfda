"""Transcripts of a whole run, written and replayed: its links, its clock and stops, and the person."""
