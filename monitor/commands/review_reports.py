"""The files that ``flowdebt review --report`` writes, each of the kind its name's ending says."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from monitor.commands.parameters import check_report_files
from monitor.commands.printed import tell_written
from monitor.review.report_files import Answers, as_csv, as_json, as_markdown
from simulator.strict import BadInput, new_file

PAGE: Final = ".html"


def check_asked(paths: Sequence[Path], sets: Sequence[str]) -> None:
    """Check what reports are asked for, before anything is read.

    Raises:
        BadInput: One has another ending or is taken; or thresholds are tried, too.
    """
    check_report_files(paths)
    if paths and sets:
        raise BadInput("--report: found --set too, expected one of them")


def write_reports(answers: Answers, paths: Sequence[Path]) -> None:
    """Write what was found to new files.

    Args:
        answers: What was found, traced where a page is among the files.
        paths: Where; each ends in one of ``REPORTS``.

    Raises:
        BadInput: Something has that name, or it can't be written.
    """
    for path in paths:
        ending = path.suffix.lower()
        if ending == PAGE:
            from monitor.pictures.review_page import as_page

            text = as_page(answers)
        else:
            text = {".md": as_markdown, ".csv": as_csv, ".json": as_json}[ending](answers)
        with new_file(path) as file:
            file.write(text.encode())
        tell_written(path)
