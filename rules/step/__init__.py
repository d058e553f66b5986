"""One sample in, one decision out: interpreted and compiled, bit for bit alike."""
