"""The detection bench: the real guard on drawn cars, beside rivals, theory and the shipped plant.

``drives`` draws cars and drives them, ``shipped`` judges them by the rigs as they ship, ``contest``
by one false-trip rate with every rival (``contenders`` and the rooms it names), ``false_pulls``
counts what is pulled though nothing is wrong, and ``suite`` runs all of it and prints the tables.
"""
