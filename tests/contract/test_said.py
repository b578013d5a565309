"""What people said is kept whole, in order, and survives a half-written line."""

from pathlib import Path

from peatwright.site import said


def test_said_and_heard_in_order(tmp_path: Path) -> None:
    for k in range(3):
        said.say(tmp_path, "answer", {"finding_id": f"F{k}", "answer": "walked; sound — ß"})
    said.say(tmp_path, "drain", {"found_id": "a"})
    assert [e["finding_id"] for e in said.heard(tmp_path, "answer")] == ["F0", "F1", "F2"]
    assert said.heard(tmp_path, "drain") == [{"found_id": "a"}]
    assert said.heard(tmp_path / "none", "drain") == []


def test_a_half_written_line_costs_only_itself(tmp_path: Path) -> None:
    said.say(tmp_path, "answer", {"finding_id": "F1"})
    path = tmp_path / said.SAID_FILE
    path.write_bytes(path.read_bytes() + b'{"kind": "answer", "findi')
    said.say(tmp_path, "answer", {"finding_id": "F2"})
    assert [e["finding_id"] for e in said.heard(tmp_path, "answer")] == ["F1", "F2"]


def test_the_fingerprint_is_of_one_kind(tmp_path: Path) -> None:
    before = said.fingerprint(tmp_path, "drain")
    said.say(tmp_path, "answer", {"finding_id": "F1"})
    assert said.fingerprint(tmp_path, "drain") == before
    said.say(tmp_path, "drain", {"found_id": "a"})
    assert said.fingerprint(tmp_path, "drain") != before
