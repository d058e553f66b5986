"""The detection bench: the debt beside rival detectors, at one false-trip rate, on held-out seeds.

``pulls`` makes pulls of an invented car, ``signals`` turns them into what detectors see, the other
rooms hold one family of detectors each, and ``suite`` runs everything and prints the tables.
"""
