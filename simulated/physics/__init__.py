"""The true physics of a simulated bench: circuit, transformer, module, instruments in the circuit."""
