"""From the user's files to a run that was rehearsed on a simulated twin."""
