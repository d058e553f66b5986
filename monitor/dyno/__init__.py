"""Runs out of logs, compared by torque and power: ``flowdebt compare``.

``runs`` reads them, ``comparing`` says which can be compared and how far they differ, ``words``
tells it.
"""
