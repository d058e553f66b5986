"""A proof as files, each of the kind its name's ending says."""

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from simulator.proof.limits import AtLimit
from simulator.proof.results import Proof
from simulator.strict import ending_of, new_file

PAGE: Final = ".html"
ENDINGS: Final = (PAGE, ".md", ".xml", ".json")


def write_report(
    proof: Proof,
    path: Path,
    replay: Callable[[int, int], str],
    limits: Sequence[tuple[AtLimit, ...]] = (),
) -> None:
    """Write a proof to a new file; the same proof is the same bytes.

    Args:
        proof: The proof.
        path: Where; one of ``ENDINGS``.
        replay: The command that replays a run, by number of row (from 1) and of car.
        limits: Each row's cars under other limits, for a page; none: not tried.

    Raises:
        BadInput: The ending is another, something has that name, or it can't be written.
    """
    ending = ending_of(path, *ENDINGS)
    if ending == PAGE:
        from monitor.proof.page import as_page

        content = as_page(proof, replay, limits).encode()
    elif ending == ".md":
        from monitor.proof.markdown import as_markdown

        content = as_markdown(proof, replay).encode()
    elif ending == ".xml":
        from monitor.proof.junit import as_junit

        content = as_junit(proof, replay)
    else:
        content = as_json(proof).encode()
    with new_file(path) as file:
        file.write(content)


def as_json(proof: Proof) -> str:
    """Return a proof as one line of JSON."""
    return json.dumps(proof.as_json(), allow_nan=False) + "\n"
