"""What each instrument of a simulated bench answers, in the words of its profile."""
