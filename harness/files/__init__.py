"""The user's files: device and bench, read and checked."""
