"""What really happens on a simulated bench: circuit, transformer, module, instruments in the circuit."""
