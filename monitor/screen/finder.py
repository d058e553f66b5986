"""Find what can be done by typing a few letters of it: Textual's command palette over our table."""

import contextlib
from functools import partial
from typing import ClassVar, Final, Protocol, cast

from textual.command import CommandPalette, DiscoveryHit, Hit, Hits, Provider
from textual.content import Content
from textual.widgets import Input
from textual.worker import WorkerCancelled

from monitor.screen.controls import Control
from monitor.words.literal import plain

_LONGEST: Final = 160


class Offers(Protocol):
    """What the finder needs of the application."""

    def found(self) -> list[Control]:
        """Return what can be done now."""
        ...


class Controls(Provider):
    """Lists every control that may be asked for, by its help text."""

    async def discover(self) -> Hits:
        """Yield all of them, in the table's order."""
        for one in cast(Offers, self.app).found():
            title, does = _title(one), partial(self.app.run_action, one.action)
            yield DiscoveryHit(Content(title), does, text=title)

    async def search(self, query: str) -> Hits:
        """Yield those that hold the letters."""
        matcher = self.matcher(query)
        for one in cast(Offers, self.app).found():
            title, does = _title(one), partial(self.app.run_action, one.action)
            if (score := matcher.match(title)) > 0.0:
                yield Hit(score, matcher.highlight(title), does, text=title)


def _title(one: Control) -> str:
    return plain(f"{one.help} ({one.shown})", _LONGEST)


class Finder(CommandPalette):
    """The palette, below the top line, which stays in sight."""

    # Colours and borders of its own would not know of high contrast or of no colour.
    DEFAULT_CSS: ClassVar[str] = """
    Finder { background: transparent; color: $foreground; }
    Finder > Vertical { margin-top: 2; background: $background; }
    Finder #--input { border: none; border-bottom: hkey $foreground; background: $background; }
    Finder SearchIcon { display: none; }
    Finder #--input.--list-visible { border-bottom: hkey $foreground; }
    Finder #--input CommandInput, Finder #--input CommandInput:focus {
        background: $background; color: $foreground;
    }
    Finder #--input CommandInput > .input--placeholder { color: $foreground; }
    Finder #--input CommandInput > .input--cursor {
        background: $background; color: $foreground; text-style: reverse;
    }
    Finder CommandList, Finder CommandList:focus {
        background: $background; color: $foreground; border-bottom: hkey $foreground; padding: 0;
        border-left: none; border-right: none; border-top: none;
        max-height: 16;
    }
    Finder CommandList > .option-list--option {
        padding: 0 2; background: $background; color: $foreground;
    }
    Finder CommandList > .option-list--option-highlighted,
    Finder CommandList:focus > .option-list--option-highlighted {
        background: $foreground; color: $background; text-style: bold underline;
    }
    Finder > .command-palette--highlight { text-style: bold underline; }
    """

    def __init__(self) -> None:
        super().__init__(
            providers=[Controls], placeholder="What do you want to do?", id="--command-palette"
        )

    async def on_input_submitted(self, event: Input.Submitted) -> None:
        """Look to the end before anything is done: what stood there before isn't what was meant."""
        looking = [one for one in self.workers if one.node is self and not one.is_finished]
        if looking:
            event.stop()
            event.prevent_default()
            with contextlib.suppress(WorkerCancelled):
                await self.workers.wait_for_complete(looking)
            self.post_message(Input.Submitted(event.input, event.value))
