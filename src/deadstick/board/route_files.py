"""The lab's figures and its closed cases, as files."""

import tomllib
from collections.abc import Callable, Iterable
from importlib import resources
from pathlib import Path
from typing import Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from deadstick.board.route_figures import Figures, Hours, Route, RouteFigures, Share, Site
from deadstick.errors import InputError

_Model = TypeVar("_Model", bound=BaseModel)
DEFAULTS = "routes.toml"


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class _Share(_Table):
    good: float = Field(gt=0)
    of: float = Field(gt=0)

    @model_validator(mode="after")
    def _no_more_than_all(self) -> "_Share":
        if self.good >= self.of:
            raise ValueError("`good` must be less than `of`")
        return self

    def made(self) -> Share:
        return Share(self.good, self.of)


class _RouteTable(_Table):
    summary: str
    hours: tuple[float, float, float]
    destroys: list[str]
    must_match: list[str] = []
    connector: _Share
    supply: _Share
    clock: _Share
    controller: _Share
    nand: _Share
    if_encrypted: _Share
    leaves: dict[Literal["repair", "donor", "raw"], float] = {}

    @model_validator(mode="after")
    def _sensible(self) -> "_RouteTable":
        low, usual, high = self.hours
        if not 0 < low < usual < high:
            raise ValueError("`hours` are three rising numbers above 0")
        if not all(0 <= share <= 1 for share in self.leaves.values()):
            raise ValueError("`leaves` are shares between 0 and 1")
        return self

    def made(self) -> RouteFigures:
        return RouteFigures(
            self.summary,
            Hours.between(*self.hours),
            tuple(self.destroys),
            tuple(self.must_match),
            {site: getattr(self, site.value).made() for site in Site},
            self.if_encrypted.made(),
            {Route(name): share for name, share in self.leaves.items()},
        )


class _FiguresFile(_Table):
    schema_version: Literal[1]
    encrypts: _Share
    donor_found: _Share
    repair: _RouteTable
    donor: _RouteTable
    raw: _RouteTable


class Case(_Table):
    """A closed case.

    Attributes:
        number: of the lab.
        route: that was tried; a case may have several entries.
        site: where the fault was, as far as it became known.
        success: whether the customer's data came out.
        hours: of work; None where nobody wrote them down.
        encrypted: whether the controller encrypts, where that became known.
        donor_found: whether a donor was looked for and found.
    """

    number: str
    route: Literal["repair", "donor", "raw"]
    site: Site
    success: bool
    hours: float | None = Field(default=None, gt=0)
    encrypted: bool | None = None
    donor_found: bool | None = None


class _CasesFile(_Table):
    case: list[Case] = []


def default_text() -> str:
    """The shipped file of figures, to save and edit."""
    return (resources.files("deadstick.board") / DEFAULTS).read_text(encoding="utf-8")


def load_figures(path: Path | None = None) -> Figures:
    """Read the lab's figures; without a path, the shipped ones.

    Raises:
        InputError: the file cannot be read, or a figure is missing or impossible; the line names it.
    """
    read = _parsed(_FiguresFile, path or Path(DEFAULTS), default_text if path is None else None)
    routes = {Route.REPAIR: read.repair.made(), Route.DONOR: read.donor.made(), Route.RAW: read.raw.made()}
    return Figures(routes, read.encrypts.made(), read.donor_found.made())


def load_cases(path: Path) -> list[Case]:
    """Read the lab's closed cases, a `[[case]]` for each route that was tried.

    Raises:
        InputError: the file cannot be read, or an entry is impossible; the line names it.
    """
    return _parsed(_CasesFile, path).case


def learned(figures: Figures, cases: Iterable[Case]) -> Figures:
    """The figures after closed cases.

    Where it is known that the controller encrypts, a case counts for what encryption leaves of the success, but only
    where the route would have been likely without it; elsewhere it counts for the success at its place of fault.
    """
    known = list(cases)
    routes = {route: _learned_route(numbers, [case for case in known if case.route == route.value])
              for route, numbers in figures.routes.items()}  # fmt: skip
    encrypted = [case.encrypted for case in known if case.encrypted is not None]
    found = [case.donor_found for case in known if case.donor_found is not None]
    return Figures(
        routes,
        figures.encrypts.with_cases(sum(encrypted), len(encrypted)),
        figures.donor_found.with_cases(sum(found), len(found)),
        figures.cases + len(known),
    )


def _learned_route(numbers: RouteFigures, cases: list[Case]) -> RouteFigures:
    open_cases = [case for case in cases if not case.encrypted]
    secret = [case for case in cases if case.encrypted and numbers.success[case.site].mean > 0.5]
    success = {
        site: share.with_cases(
            sum(case.success for case in open_cases if case.site is site),
            sum(case.site is site for case in open_cases),
        )
        for site, share in numbers.success.items()
    }
    return RouteFigures(
        numbers.summary,
        numbers.hours.with_cases([case.hours for case in cases if case.hours is not None]),
        numbers.destroys,
        numbers.must_match,
        success,
        numbers.if_encrypted.with_cases(sum(case.success for case in secret), len(secret)),
        numbers.leaves,
    )


def _parsed(model: type[_Model], path: Path, text: Callable[[], str] | None = None) -> _Model:
    try:
        return model.model_validate(tomllib.loads(text() if text else path.read_text(encoding="utf-8")))
    except FileNotFoundError as error:
        raise InputError(f"{path}: no such file") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the file"
        raise InputError(f"{path}: {where}: {first['msg']}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: no TOML: {error}") from error
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
