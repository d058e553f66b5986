"""From bytes of a line to samples: framing, checks, columns, units, the device's own time."""
