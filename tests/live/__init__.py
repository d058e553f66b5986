"""Tests with real processes, ports, disks and brokers; they mostly wait."""
