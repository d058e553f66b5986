"""A failsafe device on the bench: faults are played to it, and its output is listened to."""
