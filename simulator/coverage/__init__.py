"""Which faults a rig finds at which operating points."""
