"""The program with a solver that knows the answer, as a process of its own: `driver.py ACTION [arguments]`.

ACTION is `make` (write a dump), `plain` (run the command that follows), or `STAGE=WHAT`: when STAGE begins, `stop`
sends this process SIGINT, `kill` sends it SIGKILL, `wait` says so on standard output and sleeps, `fall` raises.
"""

import os
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

import workshop

from deadstick.cli.main import run


def fall() -> None:
    raise IndexError("page 17")


def wait() -> None:
    sys.stdout.write("waiting\n")
    sys.stdout.flush()
    time.sleep(60)


ACTS: dict[str, Callable[[], None]] = {
    "stop": lambda: os.kill(os.getpid(), signal.SIGINT),
    "kill": lambda: os.kill(os.getpid(), signal.SIGKILL),
    "wait": wait,
    "fall": fall,
}


def main(action: str, arguments: list[str]) -> None:
    if action == "make":
        workshop.make_dump(Path(arguments[0]), seed=int(arguments[1]), spoiled_pages=int(arguments[2]))
        return
    engines = workshop.know_it_all()
    if action in {"unsolved", "encrypted", "unreadable"}:
        engines = workshop.know_it_all(action)
    elif action != "plain":
        stage, _, what = action.partition("=")
        engines = workshop.before(engines, stage, ACTS[what])
    workshop.install(engines)
    run(arguments)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2:])
