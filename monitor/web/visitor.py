"""One visitor's dashboard, started by the server only.

``python -m monitor.web.visitor PID UNITS THEME BELL OPERATOR``

It attaches to the guard as any viewer does and is never its owner: leaving leaves the guard alone.
"""

import os
import sys

import msgspec

from monitor.attach.client import ViewerLink
from monitor.attach.endpoint import find_endpoint
from monitor.screen.app import Dashboard
from monitor.words.look import Look


def show(pid: int, look: Look, operator: str) -> None:
    """Show the guard of a process until the visitor leaves.

    Raises:
        BadInput: There is no such guard.
    """
    endpoint = find_endpoint(pid)
    Dashboard(lambda: ViewerLink(endpoint), owner=False, operator=operator, look=look).run()


def main() -> None:
    """Show the guard named on the command line; nobody reads what goes to standard error."""
    devnull = os.open(os.devnull, os.O_WRONLY)
    os.dup2(devnull, 2)
    os.close(devnull)
    pid, units, theme, bell, operator = sys.argv[1:]
    look = msgspec.convert((units, theme, bell), Look)
    show(int(pid), look, operator)


if __name__ == "__main__":
    main()
