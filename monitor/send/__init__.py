"""Writes a log out as a device would send it: to a serial line, to a broker."""
