"""The record of a run: its file, what it says has been finished, and the readings an evaluation starts from."""
