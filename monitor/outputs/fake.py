"""An output that only remembers, beside the real ones, for tests and for trying things out."""

from monitor.outputs.base import OutputFault


class FakeOutput:
    """Remembers what it was told.

    Attributes:
        held: Whether it is held now.
        opened: Whether it is open.
        told: Every beat, in order.
        fault: Raised by the next ``open`` or ``beat`` as ``OutputFault``, until it is taken away.
    """

    def __init__(self, name: str = "fake") -> None:
        self.name = name
        self.held = False
        self.opened = False
        self.told: list[bool] = []
        self.fault: str | None = None

    def open(self) -> None:
        """Open.

        Raises:
            OutputFault: ``fault``, where there is one.
        """
        self._check()
        self.opened = True
        self.held = False

    def beat(self, held: bool) -> None:
        """Remember.

        Raises:
            OutputFault: ``fault``, where there is one, or it isn't open.
        """
        self._check()
        if not self.opened:
            raise OutputFault("not open")
        self.held = held
        self.told.append(held)

    def close(self) -> None:
        """Release and close."""
        self.opened = False
        self.held = False

    def _check(self) -> None:
        if self.fault is not None:
            self.held = False  # what can't be driven has no power either
            raise OutputFault(self.fault)
