"""One visitor's dashboard: ``python -m monitor.web.visitor PID``, started by the server only.

It attaches to the guard as any viewer does and is never its owner: leaving leaves the guard alone.
"""

import os
import sys

from monitor.guard.place import find_place
from monitor.link import ViewerLink
from monitor.screen.app import Dashboard


def show(pid: int) -> None:
    """Show the guard of a process until the visitor leaves.

    Raises:
        BadInput: There is no such guard.
    """
    place = find_place(pid)
    Dashboard(lambda: ViewerLink(place), owner=False).run()


def main() -> None:
    """Show the guard named on the command line; nobody reads what goes to standard error."""
    devnull = os.open(os.devnull, os.O_WRONLY)
    os.dup2(devnull, 2)
    os.close(devnull)
    show(int(sys.argv[1]))


if __name__ == "__main__":
    main()
