"""What every room may use: quantities, errors, time, stopping, what is printed."""
