"""Links to instruments for text and registers: real, transcribed and replayed."""
