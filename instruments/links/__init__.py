"""Ways to instruments: text and registers, real, written down and replayed."""
