"""One module per command: the only place where simulated bench, procedures and reports are wired together."""
