"""Decision rule, risk, verdicts and their reasons."""
