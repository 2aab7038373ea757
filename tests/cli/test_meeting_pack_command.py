"""`meeting-pack` at the shell: two files in a new folder, and the key for who made them alone."""

from __future__ import annotations

from tests.build.loaded import fill


def test_the_folder_is_written_or_not_there_and_who_is_whose_is_said_at_the_shell(place, tmp_path):
    fill(place.open(), tmp_path).close()
    out = tmp_path / "pack"
    for words in (
        [],
        ["--case", "OP-99"],
        ["--screw", "OP-1"],
        ["--screw", "OP-1,L9,L"],
        ["--screw", "OP-1,C3,R"],
        ["--case", "OP-1", "--at-least", "3"],
    ):
        answer = place.command("meeting-pack", "--out", out, *words)
        assert answer.status == 2, words
        assert answer.out == ""
        assert len(answer.err.splitlines()) == 1
        assert not out.exists()
    named = place.command("meeting-pack", "--case", "OP-1", "--out", out, "--words", "by Anna Berg")
    assert named.status == 2
    assert "the cover names nobody" in named.err
    answer = place.command("meeting-pack", "--case", "OP-1", "--out", out)
    assert answer.status == 0, answer.err
    assert {path.name for path in out.iterdir()} == {"meeting-pack.html", "meeting-pack.pdf"}
    assert "screw 1: " in answer.out
    assert "of case OP-1" in answer.out
    assert "not for diagnosis or treatment decisions" in answer.out
    assert "OP-1" not in (out / "meeting-pack.html").read_text(encoding="utf-8")
    assert place.command("meeting-pack", "--case", "OP-1", "--out", out).status == 2
    assert place.command("verify").status == 0
