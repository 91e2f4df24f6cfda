"""Parts that every room may use: quantities, errors, time, stopping, output."""
