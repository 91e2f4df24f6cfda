"""The record of a run: its file, its finished points, and the readings an evaluation starts from."""
