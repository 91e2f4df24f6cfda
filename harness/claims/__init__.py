"""The claim for a device: limits of error, and the claim in words."""
