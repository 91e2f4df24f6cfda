"""Links to instruments, the profiles that describe them, and one driver per role on the bench."""
