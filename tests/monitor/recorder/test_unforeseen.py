"""What the recorder's thread never expected: it must not die of it, for nobody would be told."""

from pathlib import Path

import pytest

import monitor.recorder.recorder as recorder_module
from monitor.recorder import layout
from monitor.recorder.recorder import Recorder
from monitor.review.review import review
from simulator.strict import BadInput
from tests.kit.drives import Driven
from tests.kit.patience import until
from tests.kit.recordings import BRINDLE, Recording, put_until_recorded

SAMPLES = Driven("pump_stop", 2)


def test_what_nobody_foresaw_stops_the_recording_and_not_its_thread(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It says that it has stopped, counts the rows, and goes on once it can."""
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.01)
    recording = Recording(tmp_path)
    recorder = recording.recorder

    def refused(*_: object) -> None:
        raise ValueError

    with monkeypatch.context() as broken:
        broken.setattr(layout, "batch_of", refused)
        recording.put(SAMPLES[:10])
        until(lambda: recorder.fault == "unforeseen: ValueError")
        until(lambda: recorder.dropped == 10)
    at = put_until_recorded(recording, SAMPLES, 10)
    recorder.note("notice", text="no text: \udcff")
    until(lambda: recorder.fault == "unforeseen: UnicodeEncodeError")
    at = put_until_recorded(recording, SAMPLES, at)
    recording.put(SAMPLES[at:])
    session = recording.close()
    assert recorder.fault is None
    assert recorder.rows + recorder.dropped == len(SAMPLES)
    assert review(session, None).reproduced is True


def test_a_folder_whose_name_is_no_text_is_refused(tmp_path: Path) -> None:
    """Its notices could not be written down, nor sent to a viewer."""
    folder = tmp_path / "b\udcffd"
    with pytest.raises(BadInput, match="found a name not in UTF-8, expected a name in UTF-8"):
        Recorder(folder, BRINDLE, "test")
    assert list(tmp_path.iterdir()) == []
