"""Results in words, the same for terminal, certificate and `results.json`."""
