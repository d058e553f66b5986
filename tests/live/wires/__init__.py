"""Serial lines, brokers, outputs and disks."""
