"""One driver for each part of a bench, over text, registers or by hand."""
