"""The route: mend the board, give the memory a donor controller, read the memory raw, or stop.

**Plans.** A route that fails teaches where the fault was not, and leaves less to the next one. So whole orders of
routes are compared: the chance that one of them ends well, times what that is worth in hours of work, minus the hours
that are expected. With three routes that are at most sixteen orders, all of them worked out; figures are in
`route_figures`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import permutations

from deadstick.board.circuit import SERIES_KINDS, Circuit, PartKind
from deadstick.board.readings import Odds, percent
from deadstick.board.route_figures import Figures, Route, RouteFigures, Share, Site

WORTH_H = 60.0
"""What a recovery is worth, in hours of work; the lab's own to set."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known about this device.

    Attributes:
        sites: probability of each place of the fault; they add up to 1.
        encrypts: whether the controller encrypts; None where nobody knows.
        donor: whether a donor is at hand; None where nobody knows.
    """

    sites: Mapping[Site, float]
    encrypts: bool | None = None
    donor: bool | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """Routes in the order in which they are tried.

    Attributes:
        routes: each is tried if those before it failed; none means to stop now.
        success: chance that one of them ends well.
        hours: expected, of all that are tried.
        score: hours' worth of the chance, minus the hours.
    """

    routes: tuple[Route, ...]
    success: float
    hours: float
    score: float


@dataclass(frozen=True, slots=True)
class Outlook:
    """One route by itself, if it came first.

    Attributes:
        route: which.
        success: chance.
        interval: from the 5th to the 95th percentile of that chance, as far as the counts tell.
        hours: median, 5th and 95th percentile.
        figures: what it destroys, and what must match.
        remarks: what about this device weighs most.
    """

    route: Route
    success: float
    interval: tuple[float, float]
    hours: tuple[float, float, float]
    figures: RouteFigures
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """What to do, and what would change it.

    Attributes:
        best: the best plan.
        outlooks: each route by itself.
        rivals: the best plans that begin otherwise, best first.
        changes: facts that would make another route the first one.
    """

    best: Plan
    outlooks: tuple[Outlook, ...]
    rivals: tuple[Plan, ...]
    changes: tuple[str, ...] = field(default=())

    @property
    def first(self) -> Route:
        """The route to begin with."""
        return self.best.routes[0] if self.best.routes else Route.STOP


_SITES = {
    PartKind.CONNECTOR: Site.CONNECTOR,
    **dict.fromkeys(SERIES_KINDS, Site.CONNECTOR),
    PartKind.CRYSTAL: Site.CLOCK,
    PartKind.CONTROLLER: Site.CONTROLLER,
    PartKind.NAND: Site.NAND,
}
_ORDER = tuple(Site)


def sites_of(odds: Odds, circuit: Circuit) -> dict[Site, float]:
    """Where the fault is, from the odds of the faults."""
    sums = dict.fromkeys(Site, 0.0)
    for chance in odds.chances:
        sites = [_SITES.get(circuit.part(part).kind, Site.SUPPLY) for part in chance.parts]
        sums[max(sites, key=_ORDER.index)] += chance.probability
    return sums


def choose(figures: Figures, facts: Facts, worth_h: float = WORTH_H) -> Choice:
    """Compare all plans.

    Args:
        figures: the lab's.
        facts: about this device.
        worth_h: what a recovery is worth, in hours of work.
    """
    plans = _plans(figures, facts, worth_h)
    best = plans[0]
    rivals: list[Plan] = []
    for plan in plans:
        if plan.routes[:1] not in [other.routes[:1] for other in (best, *rivals)]:
            rivals.append(plan)
    outlooks = tuple(_outlook(route, figures, facts) for route in figures.routes)
    return Choice(best, outlooks, tuple(rivals), tuple(_changes(figures, facts, worth_h, best)))


def plan_of(routes: Sequence[Route], figures: Figures, facts: Facts, worth_h: float = WORTH_H) -> Plan:
    """Success and hours of one order of routes."""
    # Chance that all routes so far have failed, together with each place of the fault and each secrecy.
    state = {
        (site, secret): weight * chance
        for site, weight in facts.sites.items()
        for secret, chance in _secrecy(figures, facts).items()
    }
    left = dict.fromkeys(Route, 1.0)
    success = hours = 0.0
    for route in routes:
        numbers = figures.routes[route]
        hours += sum(state.values()) * numbers.hours.mean
        before = sum(state.values())
        state = {
            (site, secret): weight * (1 - left[route] * _chance(route, site, figures, facts, secret=secret))
            for (site, secret), weight in state.items()
        }
        success += before - sum(state.values())
        left = {other: share * numbers.leaves.get(other, 0.0) for other, share in left.items()}
    return Plan(tuple(routes), success, hours, success * worth_h - hours)


def _plans(figures: Figures, facts: Facts, worth_h: float) -> list[Plan]:
    orders = [order for count in range(len(figures.routes) + 1) for order in permutations(figures.routes, count)]
    plans = [plan_of(order, figures, facts, worth_h) for order in orders if _is_open(order, figures)]
    # Of plans that are worth the same the shorter one.
    return sorted(plans, key=lambda plan: (-round(plan.score, 9), len(plan.routes)))


def _is_open(order: Sequence[Route], figures: Figures) -> bool:
    return all(
        later in figures.routes[earlier].leaves for place, earlier in enumerate(order) for later in order[place + 1 :]
    )


def _secrecy(figures: Figures, facts: Facts) -> dict[bool, float]:
    if facts.encrypts is not None:
        return {facts.encrypts: 1.0}
    return {True: figures.encrypts.mean, False: 1 - figures.encrypts.mean}


def _chance(route: Route, site: Site, figures: Figures, facts: Facts, *, secret: bool) -> float:
    numbers = figures.routes[route]
    chance = numbers.success[site].mean * (numbers.if_encrypted.mean if secret else 1.0)
    if route is Route.DONOR:
        found = figures.donor_found.mean if facts.donor is None else float(facts.donor)
        chance *= found
    return chance


def _outlook(route: Route, figures: Figures, facts: Facts) -> Outlook:
    numbers = figures.routes[route]
    success = plan_of([route], figures, facts).success
    low, high = numbers.hours.interval()
    return Outlook(
        route, success, _interval(route, figures, facts, success), (numbers.hours.median, low, high), numbers,
        tuple(_remarks(route, facts)),
    )  # fmt: skip


def _interval(route: Route, figures: Figures, facts: Facts, success: float) -> tuple[float, float]:
    """The Beta distribution with the mean of the success, and with its variance as far as the counts go.

    The success is a sum over the places of the fault of weight, success there, what encryption leaves, and the chance
    of a donor; to first order the variances of these add up, each times the square of its derivative.
    """
    numbers, secret = figures.routes[route], _secrecy(figures, facts).get(True, 0.0)
    kept = 1 - secret + secret * numbers.if_encrypted.mean
    found = success / plain if (plain := kept * _plain(numbers, facts)) > 0 else 0.0
    variance = sum(
        (weight * kept * found) ** 2 * numbers.success[site].variance for site, weight in facts.sites.items()
    )
    variance += (secret * success / kept) ** 2 * numbers.if_encrypted.variance
    if facts.encrypts is None:
        variance += ((1 - numbers.if_encrypted.mean) * success / kept) ** 2 * figures.encrypts.variance
    if route is Route.DONOR and facts.donor is None:
        variance += (success / figures.donor_found.mean) ** 2 * figures.donor_found.variance
    if variance <= 0 or not 0 < success < 1:
        return success, success
    cases = max(success * (1 - success) / variance - 1, 0.1)
    return Share(success * cases, cases).interval()


def _plain(numbers: RouteFigures, facts: Facts) -> float:
    """Success without encryption and with every donor found."""
    return sum(weight * numbers.success[site].mean for site, weight in facts.sites.items())


def _remarks(route: Route, facts: Facts) -> list[str]:
    found = []
    if route is Route.RAW and facts.encrypts:
        found.append("the controller encrypts: the chip holds ciphertext, and a raw read is futile")
    if route is Route.DONOR and facts.encrypts:
        found.append("the controller encrypts: a donor helps only where the key lies with the memory")
    if route is Route.DONOR and facts.donor is False:
        found.append("there is no donor")
    if route in {Route.RAW, Route.DONOR}:
        mendable = sum(facts.sites.get(site, 0.0) for site in (Site.CONNECTOR, Site.SUPPLY, Site.CLOCK))
        if mendable > 0.9:
            found.append(f"the controller is sound with {percent(mendable)}: a repair makes this route needless")
    if route is Route.REPAIR and facts.sites.get(Site.CONTROLLER, 0.0) > 0.5:
        found.append("the controller itself is the most likely fault: there is little to mend")
    if facts.sites.get(Site.NAND, 0.0) > 0.5:
        found.append("the memory itself is the most likely fault: no route reaches far")
    return found


def _changes(figures: Figures, facts: Facts, worth_h: float, best: Plan) -> list[str]:
    """Facts that would put another route first, or end the work."""
    first = best.routes[0] if best.routes else Route.STOP
    found = []
    for words, other in _other_facts(facts):
        plan = _plans(figures, other, worth_h)[0]
        then = plan.routes[0] if plan.routes else Route.STOP
        if then is not first:
            found.append(f"{words}: {then.value} would come first, {percent(plan.success)}")
        elif plan.routes != best.routes:
            order = ", then ".join(route.value for route in plan.routes)
            found.append(f"{words}: the order would be {order}, {percent(plan.success)}")
    return found


def _other_facts(facts: Facts) -> list[tuple[str, Facts]]:
    others = []
    if facts.encrypts is not True:
        others.append(("if the controller encrypts", replace(facts, encrypts=True)))
    if facts.encrypts is not False:
        others.append(("if the controller does not encrypt", replace(facts, encrypts=False)))
    if facts.donor is not True:
        others.append(("if a matching donor is at hand", replace(facts, donor=True)))
    if facts.donor is not False:
        others.append(("if there is no donor", replace(facts, donor=False)))
    words = {
        Site.CONNECTOR: "if nothing but the connector or what leads to it is broken",
        Site.CONTROLLER: "if the controller is the fault",
        Site.NAND: "if the memory itself is the fault",
    }
    for site, text in words.items():
        if facts.sites.get(site, 0.0) < 0.9:
            others.append((text, replace(facts, sites={site: 1.0})))
    return others
