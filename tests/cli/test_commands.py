import hashlib
import json
import os
import pty
import re
import shutil
import sys
import threading
from contextlib import suppress
from pathlib import Path

import pytest
from programs import DRIVER, deadstick, driver, environment, make_dump, refused, sha256, start, tree
from typer.testing import CliRunner

from deadstick import __version__
from deadstick.case.result import Result
from deadstick.cli import demo as demo_module
from deadstick.cli.demo import compare, demo, demo_recipe, simulated
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
    done = deadstick("inspect", chip, "--page-bytes", "2048", "--spare-bytes", "64")
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


def test_a_spare_area_without_a_page_is_refused(chip: Path) -> None:
    refused(deadstick("inspect", chip, "--spare-bytes", "64"), "--page-bytes")


def test_names_that_the_terminal_cannot_show_do_not_end_the_program(chip: Path) -> None:
    done = deadstick("inspect", chip, env=environment() | {"PYTHONIOENCODING": "ascii"})
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_a_terminal_gets_bars_that_are_gone_at_the_end(chip: Path, tmp_path: Path) -> None:
    """Standard error is a terminal here, standard output is not."""
    try:
        outer, inner = pty.openpty()
    except OSError as error:
        pytest.skip(f"this system gives no pseudo-terminal: {error}")
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
    """A demonstration as a user runs it."""
    folder = tmp_path_factory.mktemp("demo") / "demo-case"
    done = deadstick("demo", "--out", folder, timeout=400)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "85 of 85 files byte-exact" in done.stdout
    assert str(folder / "case" / "report.html") in done.stdout
    assert "WRONG" not in done.stdout
    return folder


def test_a_demonstration_leaves_nothing_that_tells_the_truth(shown: Path) -> None:
    assert {path.name for path in shown.iterdir()} == {"dump.bin", "case", "demo.json"}
    assert json.loads((shown / "demo.json").read_bytes()) == {"kind": demo_module.KIND}


def test_the_recovery_of_a_demonstration_is_blind(shown: Path) -> None:
    result = Result.load(shown / "case")
    assert [dump.path for dump in result.dumps] == [str((shown / "dump.bin").resolve())]
    assert result.hints == {}
    _, history = simulated(1)
    truth = {file.path: hashlib.sha256(file.data).hexdigest() for file in history.live}
    assert {file.path: file.sha256 for file in result.files} == truth
    for path, value in truth.items():
        assert sha256(shown / "case" / "files" / path) == value


def test_a_second_demonstration_is_done_anew_and_keeps_what_is_not_its_own(
    shown: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "demo"
    shutil.copytree(shown, folder)
    (folder / "notes.txt").write_text("mine")
    seen: list[bool] = []

    def instead(dumps: list[Path], case: Path, **_: object) -> Result:
        seen.append(case.exists())
        assert sha256(dumps[0]) == sha256(shown / "dump.bin")
        return Result.load(shown / "case")

    monkeypatch.setattr(demo_module, "recover", instead)
    demo(folder, 1, silent)
    assert seen == [False], "the case that had ended was not cleared"
    assert (folder / "notes.txt").read_text() == "mine"


def test_a_demonstration_that_was_stopped_goes_on(shown: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "demo"
    shutil.copytree(shown, folder)
    (folder / "case" / "result.json").unlink()
    before = (folder / "case" / "case.db").read_bytes()

    def instead(_: list[Path], case: Path, **__: object) -> Result:
        assert (case / "case.db").read_bytes() == before
        return Result.load(shown / "case")

    monkeypatch.setattr(demo_module, "recover", instead)
    demo(folder, 1, silent)


def test_the_comparison_counts_what_is_wrong(shown: Path, tmp_path: Path) -> None:
    _, history = simulated(1)
    result = Result.load(shown / "case")
    compared = compare(result, shown / "case", history)
    assert compared.same == compared.live == len(result.files)
    assert 0 < compared.deleted_same <= compared.deleted
    first = result.files[0]
    forged = result.model_copy(update={"files": [first.model_copy(update={"sha256": "00" * 32}), *result.files[1:]]})
    assert compare(forged, shown / "case", history).wrongly_exact == (first.path,)
    honest = first.model_copy(update={"sha256": "00" * 32, "state": FileState.DAMAGED})
    assert compare(result.model_copy(update={"files": [honest]}), shown / "case", history).wrongly_exact == ()
    case = tmp_path / "case"
    shutil.copytree(shown / "case" / "files", case / "files")
    (case / "files" / first.path).write_bytes(b"something else")
    assert compare(result, case, history).same == compared.live - 1, "the files on the medium are what is compared"


def test_a_demonstration_touches_no_folder_of_somebody_else(tmp_path: Path) -> None:
    (tmp_path / "dump.bin").write_bytes(b"mine")
    (tmp_path / "demo.json").write_text('{"mine": true}')
    before = tree(tmp_path)
    with pytest.raises(CaseError, match=r"other files.*--out"):
        demo(tmp_path, 1, silent)
    with pytest.raises(CaseError, match="this is a file"):
        demo(tmp_path / "dump.bin", 1, silent)
    assert tree(tmp_path) == before


def test_every_stick_has_a_controller_of_its_own() -> None:
    first, second = demo_recipe(1), demo_recipe(2)
    assert first == demo_recipe(1)
    assert (first.code, first.scrambler) != (second.code, second.scrambler)
