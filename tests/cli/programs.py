"""Running the commands as a user does: as processes, with their standard streams."""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

CASE_TESTS = Path(__file__).parent.parent / "case"
DRIVER = CASE_TESTS / "driver.py"


def deadstick(*arguments: str | Path, **options: object) -> subprocess.CompletedProcess[str]:
    """The program as it is installed."""
    code = "import sys; from deadstick.cli.main import run; run(sys.argv[1:])"
    return start([sys.executable, "-c", code, *map(str, arguments)], **options)


def driver(action: str, *arguments: str | Path, **options: object) -> subprocess.CompletedProcess[str]:
    """The program with a solver that knows the answer; see tests/case/driver.py."""
    return start([sys.executable, str(DRIVER), action, *map(str, arguments)], **options)


def start(command: list[str], **options: object) -> subprocess.CompletedProcess[str]:
    settings = {"capture_output": True, "text": True, "timeout": 120, "env": environment()} | options
    return subprocess.run(command, check=False, **settings)  # type: ignore[call-overload,no-any-return]


def environment() -> dict[str, str]:
    return os.environ | {"NUMBA_NUM_THREADS": "1", "COLUMNS": "120"}


def make_dump(path: Path, *, seed: int = 1, spoiled_pages: int = 0) -> Path:
    made = driver("make", path, str(seed), str(spoiled_pages))
    assert made.returncode == 0, made.stderr
    return path


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def tree(folder: Path) -> dict[str, str]:
    return {str(path.relative_to(folder)): sha256(path) for path in sorted(folder.rglob("*")) if path.is_file()}


def refused(done: subprocess.CompletedProcess[str], *words: str) -> None:
    """One clear line on standard error, exit status 2, nothing else."""
    lines = done.stderr.splitlines()
    assert done.returncode == 2, (done.returncode, done.stderr)
    assert len(lines) == 1, done.stderr
    assert lines[0].startswith("deadstick: ")
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    for word in words:
        assert word in lines[0]
