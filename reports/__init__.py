"""The certificate a technician hands over, made from results."""
