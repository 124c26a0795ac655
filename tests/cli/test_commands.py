import hashlib
import json
import os
import pty
import re
import sys
import threading
from contextlib import suppress
from pathlib import Path

import pytest
from programs import DRIVER, deadstick, driver, environment, make_dump, refused, sha256, start, tree
from typer.testing import CliRunner

from deadstick import __version__
from deadstick.cli import demo as demo_module
from deadstick.cli.demo import compare, demo, demo_recipe
from deadstick.cli.main import app
from deadstick.cli.progress import Lines
from deadstick.errors import CaseError
from deadstick.files.records import FileState
from deadstick.progress import silent

COMMANDS = ("recover", "solve", "inspect", "demo")


@pytest.fixture(scope="module")
def chip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_dump(tmp_path_factory.mktemp("chip") / "chip.bin")


def test_help_names_every_command_and_loads_no_engine() -> None:
    code = "import sys; from deadstick.cli.main import run\ntry: run(['--help'])\n"
    code += "finally: print('LOADED', sorted({'numba', 'scipy', 'pyarrow'} & set(sys.modules)))"

    done = start([sys.executable, "-c", code])
    assert all(command in done.stdout for command in COMMANDS)
    assert "LOADED []" in done.stdout


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_says_what_it_writes_and_gives_an_example(command: str) -> None:
    done = CliRunner().invoke(app, [command, "--help"])
    assert done.exit_code == 0
    assert f"deadstick {command} " in done.output
    assert "Writes" in done.output


def test_without_arguments_there_is_help() -> None:
    done = deadstick()
    assert (done.returncode, done.stderr) == (0, "")
    assert "recover" in done.stdout


def test_version() -> None:
    done = deadstick("--version")
    assert (done.returncode, done.stdout) == (0, f"deadstick {__version__}\n")


def test_recover_prints_a_summary_and_nothing_on_standard_error(chip: Path, tmp_path: Path) -> None:
    before = sha256(chip)
    done = driver("plain", "recover", chip, "--case", tmp_path / "case")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("recovered: ")
    assert str(tmp_path / "case" / "report.html") in done.stdout
    assert sha256(chip) == before


def test_solve_explains_itself_and_saves_a_recipe_that_recover_takes(chip: Path, tmp_path: Path) -> None:
    recipe = tmp_path / "chip.toml"
    done = driver("plain", "solve", chip, "--explain", "--save", recipe)
    assert (done.returncode, done.stderr) == (0, "")
    for words in ("40 of 40 codewords decode", "1 in 10^52", "4224 bytes"):
        assert words in done.stdout
    # With a recipe the program's own solver has only to prove it.
    again = deadstick("recover", chip, "--case", tmp_path / "case", "--recipe", recipe)
    assert again.returncode == 0, again.stderr
    result = json.loads((tmp_path / "case" / "result.json").read_bytes())
    assert {file["state"] for file in result["files"]} == {"exact"}


def test_solve_without_explain_is_short(chip: Path) -> None:
    done = driver("plain", "solve", chip)
    assert "BCH over GF(2^13)" in done.stdout
    assert "codewords decode" not in done.stdout


def test_solve_ends_with_4_where_nothing_is_proven(chip: Path, tmp_path: Path) -> None:
    done = driver("unsolved", "solve", chip, "--save", tmp_path / "chip.toml")
    assert done.returncode == 4
    assert not (tmp_path / "chip.toml").exists()


def test_inspect_shows_the_first_figures(chip: Path) -> None:
    done = deadstick("inspect", chip, "--page-bytes", "2112")
    assert (done.returncode, done.stderr) == (0, "")
    assert hashlib.sha256(chip.read_bytes()).hexdigest() in done.stdout
    pages = chip.stat().st_size // 2112
    assert f"{pages:,} pages" in done.stdout
    erased = chip.read_bytes().count(b"\xff" * 2112) / pages
    share = re.search(r"of which ([\d.]+)% erased", done.stdout)
    assert share is not None
    assert abs(float(share[1]) / 100 - erased) < 0.01
    assert "▇" in done.stdout.splitlines()[-1], "parity has more entropy than text"


def test_a_page_larger_than_the_dump_is_refused(chip: Path) -> None:
    refused(deadstick("inspect", chip, "--page-bytes", str(1 << 40)), "larger than the dump")


def test_names_that_the_terminal_cannot_show_do_not_end_the_program(chip: Path) -> None:
    done = deadstick("inspect", chip, env=environment() | {"PYTHONIOENCODING": "ascii"})
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_a_terminal_gets_bars_that_are_gone_at_the_end(chip: Path, tmp_path: Path) -> None:
    """Standard error is a terminal here, standard output is not."""
    outer, inner = pty.openpty()
    shown = bytearray()

    def look() -> None:
        # Linux ends a pseudo-terminal with an input/output error, see pty(7).
        with suppress(OSError):
            while chunk := os.read(outer, 1 << 16):
                shown.extend(chunk)

    reader = threading.Thread(target=look)
    reader.start()
    screen = environment() | {"TERM": "xterm"}
    command = [sys.executable, str(DRIVER), "plain", "recover", str(chip), "--case", str(tmp_path / "case")]
    done = start(command, capture_output=False, stdout=-1, stderr=inner, env=screen)
    os.close(inner)
    reader.join(timeout=20)
    os.close(outer)
    assert done.returncode == 0
    assert done.stdout.startswith("recovered: ")
    assert b"decode" in shown
    assert b"\x1b[2K" in shown, "the bars are wiped away"


def test_a_log_gets_few_lines(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    now = 0.0
    monkeypatch.setattr("time.monotonic", lambda: now)
    lines = Lines(sys.stderr)
    for second in range(60):
        now = float(second)
        lines("decode", second, 60)
    told = capsys.readouterr().err.splitlines()
    assert told == [f"decode: {second / 60:.0%}" for second in (3, 13, 23, 33, 43, 53)]


# The demonstration ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A demonstration as a user runs it, with nothing but the dump to go by."""
    folder = tmp_path_factory.mktemp("demo") / "demo-case"
    done = deadstick("demo", "--out", folder, timeout=400)
    assert done.returncode == 0, done.stdout + done.stderr
    truth = json.loads((folder / "truth.json").read_bytes())
    count = len(truth["live"])
    assert f"{count} of {count} files byte-exact" in done.stdout
    assert str(folder / "case" / "report.html") in done.stdout
    assert "WRONG" not in done.stdout
    return folder


def test_the_recovery_never_opens_the_truth(shown: Path) -> None:
    truth = json.loads((shown / "truth.json").read_bytes())
    result = json.loads((shown / "case" / "result.json").read_bytes())
    assert [dump["path"] for dump in result["dumps"]] == [str((shown / "dump.bin").resolve())]
    assert result["hints"] == {}
    assert {file["path"]: file["sha256"] for file in result["files"]} == truth["live"]
    assert truth["dump_sha256"] == sha256(shown / "dump.bin")


def test_a_demonstration_is_used_again(shown: Path) -> None:
    before = tree(shown)
    assert deadstick("demo", "--out", shown).returncode == 0
    after = tree(shown)
    assert {name for name in after if after[name] != before.get(name)} <= {"case/case.db"}
    assert set(after) == set(before)


def test_the_comparison_counts_what_is_wrong(shown: Path) -> None:
    result, compared = demo(shown, 1, silent)
    assert compared.same == compared.live == len(result.files)
    first = result.files[0]
    forged = result.model_copy(update={"files": [first.model_copy(update={"sha256": "00" * 32}), *result.files[1:]]})
    assert compare(forged, shown).wrongly_exact == (first.path,)
    honest = first.model_copy(update={"sha256": "00" * 32, "state": FileState.DAMAGED})
    assert compare(result.model_copy(update={"files": [honest]}), shown).wrongly_exact == ()


def test_a_demonstration_touches_no_folder_of_somebody_else(tmp_path: Path) -> None:
    (tmp_path / "dump.bin").write_bytes(b"mine")
    (tmp_path / "truth.json").write_text('{"mine": true}')
    before = tree(tmp_path)
    refused(deadstick("demo", "--out", tmp_path), "other files", "--out")
    assert tree(tmp_path) == before


def test_another_seed_replaces_our_own_files_and_no_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "truth.json").write_text(json.dumps({"kind": demo_module.KIND, "seed": 5, "dump_sha256": ""}))
    (tmp_path / "dump.bin").write_bytes(b"old")
    (tmp_path / "notes.txt").write_text("mine")

    def ends(*_: object) -> None:
        raise CaseError("stop here")

    monkeypatch.setattr(demo_module, "_make", ends)
    with pytest.raises(CaseError, match="stop here"):
        demo(tmp_path, 6, silent)
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_every_stick_has_a_controller_of_its_own() -> None:
    first, second = demo_recipe(1), demo_recipe(2)
    assert first == demo_recipe(1)
    assert (first.code, first.scrambler) != (second.code, second.scrambler)
