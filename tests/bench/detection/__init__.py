"""The detection bench: the real guard on drawn cars, beside rivals, theory and the shipped plant.

``drives`` draws cars and drives them, ``signals`` is what detectors see of them. ``shipped`` judges
them by the rigs as they ship. ``contenders`` holds every rival, ``generic`` and ``kernels``
among them, to one false-trip rate. ``optimum`` is how soon theory allows, ``plant_check`` the same
on the plant; ``false_pulls`` counts what is pulled though nothing is wrong. ``suite`` runs it all.
"""
