"""One visitor's dashboard, started by the server only.

``python -m monitor.web.visitor PID ROLE UNITS THEME BELL OPERATOR``

It attaches to a guard or class as any viewer does and never owns it: leaving leaves it alone.
"""

import os
import sys

import msgspec

from monitor.attach.client import ViewerLink
from monitor.attach.endpoint import find_endpoint
from monitor.attach.place import PlaceLink
from monitor.screen.app import Dashboard
from monitor.web.role import Role
from monitor.words.look import Look


def show(pid: int, role: Role, look: Look, operator: str) -> None:
    """Show the guard or class of a process until the visitor leaves.

    Raises:
        BadInput: There is none.
    """
    endpoint = find_endpoint(pid, kind=role.of)
    if role is Role.TRAINEE:
        from monitor.pictures.debrief_page import as_page
        from monitor.screen.drill.trainee import TraineeDashboard

        def link_for(alias: str) -> PlaceLink:
            return PlaceLink(endpoint, "join", alias)

        TraineeDashboard(link_for, page_of=as_page, look=look).run()
    elif role is Role.INSTRUCTOR:
        from monitor.screen.drill.instructor import InstructorDashboard

        InstructorDashboard(lambda: PlaceLink(endpoint, "instruct"), look=look).run()
    else:
        Dashboard(lambda: ViewerLink(endpoint), owner=False, operator=operator, look=look).run()


def main() -> None:
    """Show the guard named on the command line; nobody reads what goes to standard error."""
    devnull = os.open(os.devnull, os.O_WRONLY)
    os.dup2(devnull, 2)
    os.close(devnull)
    pid, role, units, theme, bell, operator = sys.argv[1:]
    look = msgspec.convert((units, theme, bell), Look)
    show(int(pid), Role(role), look, operator)


if __name__ == "__main__":
    main()
