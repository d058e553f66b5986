"""Every kept screen: ``python -m tests.kit.screens`` writes ``tests/screens`` anew.

Read the difference: what changed there, changed for whoever looks at the screen.
"""

import asyncio
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.kit import alarm_script, drill_looks, replay_script, screen_script
from tests.kit.paths import kept_screen


def screens() -> Iterator[tuple[Path, str]]:
    """Yield every kept file and what belongs in it today."""
    live = [
        (story, size, screen_script.only_pause)
        for story in screen_script.stories()
        for size in screen_script.sizes(story)
    ]
    page = alarm_script.page_story()
    live += [(page, size, alarm_script.open_page) for size in screen_script.SIZES]
    for story, size, does in live:
        text = asyncio.run(screen_script.screen_of(story, size, does))
        yield kept_screen(story.name, size), text
    for look, size in replay_script.sized_looks():
        with tempfile.TemporaryDirectory() as made:
            text = asyncio.run(replay_script.shown(look, size, Path(made)))
        yield kept_screen(look.name, size), text
    for drill, size in drill_looks.sized_looks():
        yield kept_screen(drill.name, size), asyncio.run(drill_looks.shown(drill, size))
    for theme in screen_script.THEMES:
        text = asyncio.run(screen_script.picture_of(theme))
        yield screen_script.picture_file(theme), text


if __name__ == "__main__":
    for path, content in screens():
        path.write_text(content, encoding="utf-8")
