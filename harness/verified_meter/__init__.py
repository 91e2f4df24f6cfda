"""The verified meter in use: what a reading of it means, by the results of its verification."""
