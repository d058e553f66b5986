"""Outputs that are held while all is well and let go otherwise (de-energise to trip)."""
