"""Power errors, and the phase displacement they tell."""
