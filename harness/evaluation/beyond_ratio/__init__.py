"""What is found of a range beyond ratio errors: power, no load, endurance, the register, waveforms; and the check standard of the bench."""
