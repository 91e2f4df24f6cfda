"""Whether a record can be what a run wrote: `forged_lines` asks every check of this room."""
