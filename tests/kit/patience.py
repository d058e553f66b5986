"""How long tests wait for what must come: so long that only a hang is given up on.

No test waits it out where all is well, and none says how long something takes: ``tests.bench``
measures that. The limit of a whole test (``timeout`` in pyproject.toml) is longer still.
"""

from typing import Final

PATIENCE_S: Final = 240.0
