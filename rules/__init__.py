"""flowdebt, floor 1: decides. Pure arithmetic: no clock, no I/O, no asyncio, no random."""
