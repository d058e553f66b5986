"""Torque and power of an engine out of what runs logged, corrected, and compared run by run.

Pure: arrays in, numbers out. ``curves`` smooths a run and lays it out by engine speed,
``road_load`` tells torque from how a car gains speed, ``correction`` what it would be in reference
air, ``gain`` how far groups of runs differ and how sure that is.
"""
