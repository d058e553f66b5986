"""One line at the foot of the screen where something is typed: a time, a note, a threshold."""

import asyncio
from typing import ClassVar, Final

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.widgets import Input, Label
from textual.widgets.input import Selection

from monitor.words.literal import plain

LONGEST_ANSWER: Final = 200


class AskLine(Horizontal):
    """Stands over the footer while something is asked; enter answers, escape gives up."""

    DEFAULT_CSS: ClassVar[str] = """
    AskLine { height: 1; display: none; }
    AskLine.asking { display: block; }
    AskLine Label { width: auto; height: 1; padding: 0 1; text-style: bold; }
    AskLine Input, AskLine Input:focus {
        width: 1fr; height: 1; border: none; padding: 0;
        background: $background; color: $foreground;
    }
    AskLine Input > .input--cursor {
        background: $background; color: $foreground; text-style: reverse;
    }
    AskLine Input > .input--selection {
        background: $background; color: $foreground; text-style: reverse;
    }
    """

    def __init__(self) -> None:
        super().__init__(id="ask")
        self._label = Label("", markup=False)
        self._input = Input(max_length=LONGEST_ANSWER, select_on_focus=False)
        self._input.cursor_blink = False
        self._answer: asyncio.Future[str | None] | None = None

    def compose(self) -> ComposeResult:
        """Lay out the question and the place for its answer."""
        yield self._label
        yield self._input

    @property
    def asking(self) -> bool:
        """Whether a question waits for its answer."""
        return self._answer is not None

    @property
    def waits(self) -> bool:
        """Whether a question waits that nothing has answered yet."""
        return self._answer is not None and not self._answer.done()

    @property
    def has_keys(self) -> bool:
        """Whether what is typed goes into the answer."""
        return self._answer is not None and self.screen.focused is self._input

    def submit(self) -> None:
        """Take what stands there as the answer."""
        if self._answer is not None and not self._answer.done():
            self._answer.set_result(plain(self._input.value, LONGEST_ANSWER).strip())

    async def ask(self, question: str, proposed: str = "", kept: str = "") -> str | None:
        """Ask, and wait for what is typed; None where the person gave up, or asked anew.

        Args:
            question: A few words; shown literally.
            proposed: Stands there selected: the first letter typed takes its place.
            kept: Stands before it, to be edited.
        """
        self.give_up()
        self._answer = asyncio.get_running_loop().create_future()
        answer = self._answer
        self._label.update(Text(plain(question, 100)))
        kept = plain(kept, LONGEST_ANSWER)
        self._input.value = f"{kept}{plain(proposed, LONGEST_ANSWER)}"[:LONGEST_ANSWER]
        self._input.selection = Selection(len(kept), len(self._input.value))
        self.add_class("asking")
        # At once, not when styles are next worked out: the next key is the first letter.
        self.display = True
        self.screen.set_focus(self._input)
        try:
            return await answer
        finally:
            if self._answer is answer:
                self._answer = None
                self.remove_class("asking")
                self.display = False
                if self.is_attached:
                    self.screen.set_focus(None)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take the answer."""
        event.stop()
        self.submit()

    def give_up(self) -> None:
        """Answer the question that waits, if one does, with nothing."""
        if self._answer is not None and not self._answer.done():
            self._answer.set_result(None)
