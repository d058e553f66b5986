"""flowdebt, floor 2: the truth to decide against, and the rig file that describes a car."""
