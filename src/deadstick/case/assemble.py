"""The result of a case, put together from its record."""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from deadstick import __version__
from deadstick.case.memory import peak_memory_bytes
from deadstick.case.outcome import evidence_parts, judge
from deadstick.case.reads import READS, finding_of
from deadstick.case.result import DiskPart, DumpPart, EvidencePart, Result, Seconds, Status, VolumePart
from deadstick.case.store import CaseStore
from deadstick.flash.notice import Notice
from deadstick.recipe import toml


def assemble(
    store: CaseStore, solved: dict[str, Any], sha256_after: Mapping[tuple[int, int], str], seconds: Seconds
) -> Result:
    """What `result.json` is to hold.

    Args:
        store: the record, with every stage but the report finished.
        solved: figures of the stage `solve`.
        sha256_after: of each read of each chip, read anew when the work was done.
        seconds: of work.
    """
    files, deleted = store.files(deleted=False), store.files(deleted=True)
    image, scan = payload(store, "image"), payload(store, "files")
    volumes = [VolumePart.model_validate(volume) for volume in scan.get("volumes", [])]
    problems: list[str] = scan.get("problems", [])
    status, reason = Status.UNSOLVED, str(solved["reason"])
    if solved["outcome"] == "solved":
        status, reason = judge(volumes, files, problems)
        if solved["recipe"] is not None and toml.from_dict(solved["recipe"]).code is None:
            reason += "; no code was found, so nothing checks the data"
    else:
        status = Status(solved["outcome"])
    return Result(
        program_version=__version__,
        status=status,
        reason=reason,
        started=store.started(),
        finished=datetime.now(UTC),
        dumps=[
            DumpPart(
                path=row.path,
                bytes=row.bytes,
                sha256=row.sha256,
                sha256_after=sha256_after[row.chip, row.read],
                chip=row.chip,
                read=row.read,
            )
            for row in store.inputs()
        ],
        hints=solved["hints"],
        recipe=solved["recipe"],
        evidence=[*_noticed(store, solved), *(EvidencePart.model_validate(part) for part in solved["evidence"])],
        disk=DiskPart.model_validate(image["disk"]) if image else None,
        volumes=volumes,
        files=files,
        deleted=deleted,
        problems=problems,
        seconds=seconds,
        peak_memory_bytes=peak_memory_bytes(),
    )


def _noticed(store: CaseStore, solved: dict[str, Any]) -> list[EvidencePart]:
    """What was noticed about reads and contacts, with the page where a recipe tells it."""
    page_bytes = toml.from_dict(solved["recipe"]).layout.page_bytes if solved["recipe"] else None
    notices = [Notice(**values) for values in payload(store, READS).get("notices", [])]
    return evidence_parts([finding_of(notice, page_bytes) for notice in notices])


def payload(store: CaseStore, name: str) -> dict[str, Any]:
    """Figures of a finished stage; empty where it is not finished."""
    row = store.stage(name)
    return row.payload if row else {}
