"""Transcripts of a whole run: its links, its clock and stops, and the person; written, and replayed."""
