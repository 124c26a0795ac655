"""Options of the command line as hints, and the recipe files behind them."""

from pathlib import Path

import pytest
from programs import deadstick, driver, make_dump, refused

from deadstick.cli.hints import hints, parse_bits, parse_code, parse_scrambler
from deadstick.errors import HintError
from deadstick.solve.hints.hints import CodeHint, ScramblerHint


@pytest.fixture(scope="module")
def chip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_dump(tmp_path_factory.mktemp("chip") / "chip.bin")


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("bch", CodeHint("bch")),
        ("BCH:m=14,t=40", CodeHint("bch", m=14, t=40)),
        ("bch:poly=0x402b", CodeHint("bch", m=14, polynomial=0x402B)),
        ("bch: poly = 0x402b , data = 1024", CodeHint("bch", m=14, polynomial=0x402B, message_bytes=1024)),
        ("rs:m=10", CodeHint("rs", m=10)),
        ("hamming", CodeHint("hamming")),
        ("none", CodeHint("none")),
    ],
)
def test_a_code_is_read(text: str, hint: CodeHint) -> None:
    assert parse_code(text) == hint


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("turbo", "none of bch, rs, hamming, none"),
        ("bch:", "none of m=, poly=, t=, data="),
        ("bch:q=3", "none of m=, poly=, t=, data="),
        ("bch:t=forty", "'forty' is no number"),
        ("bch:t=0", "below 1"),
        ("bch:t=101", "t is 1 to 100"),
        ("bch:m=13,poly=0x402b", "degree 14, so m = 14"),
        ("bch:poly=0x4001", "not a primitive one"),
        ("none:t=4", "no code has no parameters"),
    ],
)
def test_a_code_that_cannot_be_is_refused(text: str, words: str) -> None:
    with pytest.raises(HintError, match="code") as refusal:
        parse_code(text)
    assert words in str(refusal.value)


def test_the_hint_is_written_as_the_option_takes_it() -> None:
    for text in ("bch:m=14,poly=0x402b,t=40,data=1024", "rs", "none"):
        assert parse_code(text).describe() == text


def test_scrambler_and_bits_are_read_or_refused() -> None:
    assert parse_scrambler("none") == ScramblerHint("none")
    assert parse_scrambler("before") == ScramblerHint("before_ecc")
    assert parse_scrambler("after") == ScramblerHint("after_ecc")
    assert (parse_bits("lsb"), parse_bits(None)) == ("lsb", None)
    with pytest.raises(HintError, match="none of none, before, after"):
        parse_scrambler("maybe")
    with pytest.raises(HintError, match="neither msb nor lsb"):
        parse_bits("middle")


def test_the_library_is_where_it_is_told_to_be(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DEADSTICK_LIBRARY", str(tmp_path / "ours"))
    assert hints().library == tmp_path / "ours"
    assert hints(library=tmp_path / "mine").library == tmp_path / "mine"
    assert hints(no_library=True).library is None
    monkeypatch.setenv("DEADSTICK_LIBRARY", "")
    assert hints().library is None
    monkeypatch.delenv("DEADSTICK_LIBRARY")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setattr("sys.platform", "linux")
    assert hints().library == tmp_path / "data" / "deadstick" / "recipes"
    with pytest.raises(HintError, match="contradict"):
        hints(library=tmp_path, no_library=True)
    (tmp_path / "file").write_text("")
    with pytest.raises(HintError, match="this is a file"):
        hints(library=tmp_path / "file")


def test_two_hints_that_contradict_each_other_are_refused(tmp_path: Path) -> None:
    part = tmp_path / "part.toml"
    part.write_text("[layout]\npage_bytes = 2112\n[code]\nt = 8\n")
    given = hints(recipe=part, code="bch:m=13", pages_per_block=16)
    assert (given.page_bytes, given.spare_bytes, given.pages_per_block) == (2048, 64, 16)
    assert given.code == CodeHint("bch", m=13, t=8)
    with pytest.raises(HintError, match="t 4 and 8"):
        hints(recipe=part, code="bch:t=4")
    with pytest.raises(HintError, match="page_bytes 4096 and 2048"):
        hints(recipe=part, page_bytes=4096)


def test_a_wrong_hint_is_refused_by_the_commands_in_one_line(chip: Path, tmp_path: Path) -> None:
    refused(deadstick("solve", chip, "--code", "turbo"), "--code turbo", "bch")
    refused(deadstick("solve", chip, "--scrambler", "inside"), "--scrambler inside")
    refused(deadstick("recover", chip, "--case", tmp_path / "case", "--bits", "7"), "--bits 7")
    broken = tmp_path / "part.toml"
    broken.write_text("[code]\nstrength = 8\n")
    refused(deadstick("solve", chip, "--recipe", broken), "part.toml", "strength")


def test_a_solved_recipe_goes_into_the_library_once(chip: Path, tmp_path: Path) -> None:
    shelf = tmp_path / "shelf"
    done = driver("plain", "solve", chip, "--library", shelf)
    assert done.returncode == 0, done.stderr
    (kept,) = shelf.iterdir()
    assert str(kept) in done.stdout
    before = kept.read_bytes()
    again = driver("plain", "recover", chip, "--case", tmp_path / "case", "--library", shelf)
    assert again.returncode == 0, again.stderr
    assert [path.read_bytes() for path in shelf.iterdir()] == [before]
    none = driver("plain", "solve", chip, "--no-library", "--library", shelf)
    refused(none, "--no-library")


def test_a_library_that_cannot_be_written_takes_nothing_from_the_answer(chip: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    done = driver("plain", "solve", chip, "--library", tmp_path / "file" / "shelf")
    assert done.returncode == 0
    assert "could not be put into the library" in done.stderr


def test_the_library_proves_a_recipe_on_the_next_dump(chip: Path, tmp_path: Path) -> None:
    shelf = tmp_path / "shelf"
    assert driver("plain", "solve", chip, "--library", shelf).returncode == 0
    other = make_dump(tmp_path / "other.bin", seed=2)
    done = deadstick("solve", other, "--library", shelf, "--explain")
    assert done.returncode == 0, done.stderr
    assert "of the library decodes the dump" in done.stdout
    assert "from the library, file" in done.stdout
