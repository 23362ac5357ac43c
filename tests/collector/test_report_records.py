from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from noonmark.collector.report_records import FIRST, add_record, check, digest, head_of, kept_days, whole_days

DAY_NS = 86_400 * 10**9
D0 = 1_795_564_800 * 10**9  # 2026-11-25T00:00:00Z


def document(day: int) -> dict[str, object]:
    return {"since_ns": D0 + day * DAY_NS, "until_ns": D0 + (day + 1) * DAY_NS, "words": f"Tag {day} ± µ"}


def fill(folder: Path, count: int = 3) -> list[str]:
    return [add_record(folder, f"2026-11-{25 + day}", document(day)) for day in range(count)]


def test_whole_days_only() -> None:
    assert [day for day, _, _ in whole_days(D0 - 1, D0 + 2 * DAY_NS + 5)] == ["2026-11-25", "2026-11-26"]
    assert [day for day, _, _ in whole_days(D0 + 1, D0 + DAY_NS)] == []
    assert list(whole_days(D0, D0 + DAY_NS)) == [("2026-11-25", D0, D0 + DAY_NS)]


def test_each_record_holds_the_hash_of_the_one_before(tmp_path: Path) -> None:
    """Hashes as hashlib and sha256sum (FIPS 180-4) give them for the files themselves."""
    hashes = fill(tmp_path)
    assert kept_days(tmp_path) == ["2026-11-25", "2026-11-26", "2026-11-27"]
    previous = FIRST
    for day, known in zip(kept_days(tmp_path), hashes, strict=True):
        octets = (tmp_path / f"{day}.json").read_bytes()
        assert json.loads(octets)["previous"] == previous
        previous = hashlib.sha256(octets).hexdigest()
        assert previous == known
    checked = check(tmp_path, hashes[-1])
    assert checked.faults == ()
    assert checked.head == head_of(tmp_path) == hashes[-1]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
@given(st.data())
def test_any_changed_octet_shows(tmp_path: Path, data: st.DataObject) -> None:
    if not kept_days(tmp_path):
        fill(tmp_path)
    head = head_of(tmp_path)
    place = tmp_path / f"2026-11-{data.draw(st.integers(25, 27))}.json"
    whole = place.read_bytes()
    changed = bytearray(whole)
    changed[data.draw(st.integers(0, len(whole) - 1))] ^= data.draw(st.integers(1, 255))
    place.chmod(0o644)
    place.write_bytes(bytes(changed))
    try:
        assert check(tmp_path, head).faults
    finally:
        place.write_bytes(whole)
    assert not check(tmp_path, head).faults


def test_a_changed_record_breaks_the_next_ones_link(tmp_path: Path) -> None:
    fill(tmp_path)
    first = tmp_path / "2026-11-25.json"
    forged = json.loads(first.read_bytes())
    forged["evidence"]["words"] = "all was well"
    first.chmod(0o644)
    first.write_bytes((json.dumps(forged, sort_keys=True, separators=(",", ":")) + "\n").encode())
    (fault,) = check(tmp_path).faults
    assert fault.day == "2026-11-26"
    assert "does not follow the record of 2026-11-25" in fault.text


@pytest.mark.parametrize(("day", "words"), [(25, "is not the first"), (26, "does not follow the record of 2026-11-25")])
def test_a_record_taken_away_shows(tmp_path: Path, day: int, words: str) -> None:
    fill(tmp_path)
    (tmp_path / f"2026-11-{day}.json").unlink()
    (fault,) = check(tmp_path).faults
    assert words in fault.text


def test_the_last_record_taken_away_or_all_written_anew_shows_by_the_hash_kept_elsewhere(tmp_path: Path) -> None:
    hashes = fill(tmp_path)
    (tmp_path / "2026-11-27.json").unlink()
    assert not check(tmp_path).faults
    (fault,) = check(tmp_path, hashes[-1]).faults
    assert "no record has it" in fault.text
    (fault,) = check(tmp_path, hashes[0]).faults
    assert "records after it are not covered" in fault.text


def test_another_form_or_another_day_in_its_place_shows(tmp_path: Path) -> None:
    fill(tmp_path, 1)
    place = tmp_path / "2026-11-25.json"
    place.chmod(0o644)
    whole = place.read_bytes()
    place.write_bytes(json.dumps(json.loads(whole), indent=1).encode())
    assert "another form" in check(tmp_path).faults[0].text
    place.write_bytes(b"[1]\n")
    assert "no record any more" in check(tmp_path).faults[0].text
    place.unlink()
    (tmp_path / "2026-11-28.json").write_bytes(whole)
    assert "another day" in check(tmp_path).faults[0].text


def test_closed_days_are_never_touched(tmp_path: Path) -> None:
    fill(tmp_path)
    before = {path.name: digest(path.read_bytes()) for path in tmp_path.iterdir()}
    for day in ("2026-11-27", "2026-11-24"):
        with pytest.raises(FileExistsError, match="up to 2026-11-27 are closed"):
            add_record(tmp_path, day, document(0))
    assert {path.name: digest(path.read_bytes()) for path in tmp_path.iterdir()} == before
    with pytest.raises(NotADirectoryError):
        check(tmp_path / "nowhere")
    assert kept_days(tmp_path / "nowhere") == []
