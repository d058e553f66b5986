"""The guard at work: a process of its own that reads, decides, records and tells viewers."""
