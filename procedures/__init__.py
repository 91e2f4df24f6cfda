"""The procedures shipped with the program, each one readable on a screen; `shipped_procedures` lists them."""
