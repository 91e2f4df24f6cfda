"""What a device is claimed to hold: limits of error, and the claim in words."""
