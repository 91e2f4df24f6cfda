"""From results to the certificate a technician hands over."""
