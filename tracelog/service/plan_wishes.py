"""What promising a service on a day would cost, before anybody promises it."""

import uuid
from dataclasses import dataclass
from datetime import datetime

from tracelog.db import new_id
from tracelog.errors import Conflict, TracelogError
from tracelog.language import _
from tracelog.plant.queries import Directory
from tracelog.service.pin_facts import PinRequest
from tracelog.service.pins import Pin
from tracelog.service.plan_clashes import clash
from tracelog.service.plan_reading import PlanInputs, with_pins
from tracelog.service.plan_rules import Placed
from tracelog.service.plan_solver import TIME_LIMIT_SECONDS
from tracelog.service.planning_facts import Planning
from tracelog.service.plans import ServicePlan, plan_of


@dataclass(frozen=True)
class Preview:
    """What a promise would change.

    Attributes:
        cost: of the best plan that keeps it, less that of the best plan as things stand, in
            weighted strokes; below 0 where a promise is moved to a better day.
        plan: the plan that keeps it.
        before: the plan as things stand.
    """

    cost: float
    plan: ServicePlan
    before: ServicePlan

    @property
    def is_proven(self) -> bool:
        """Whether both plans are known to be the best."""
        return self.plan.solution.is_optimal and self.before.solution.is_optimal


def standing_pin(inputs: PlanInputs, machine_id: uuid.UUID, service: str) -> Pin | None:
    """The open promise of a service of a machine, None if there is none."""
    pins = (*inputs.kept, *(one.pin for one in inputs.broken), *inputs.beyond)
    return next(
        (pin for pin in pins if (pin.machine.id, pin.service) == (machine_id, service)), None
    )


def check_wish(inputs: PlanInputs, known: Directory, wish: PinRequest) -> None:
    """Refuse a promise that could not be kept beside those that stand.

    A day after the last one that is planned is taken as it is; the plan tells later.

    Args:
        inputs: of the plan, read with this service wished for.
        known: the plant's machines.
        wish: machine, service and day.

    Raises:
        UnknownReference: there is no such machine; at ``line`` or ``bodymaker``.
        TracelogError: the day is over, or the machine has no such level; at its field.
        Conflict: the day is taken or kept free; at ``pinned_on``.
    """
    problem, machine = inputs.problem, known.bodymaker(wish.line, wish.bodymaker)
    day, place = (wish.pinned_on - problem.days[0]).days, inputs.place(machine.id, wish.service)
    if place is None:
        raise TracelogError(
            _(
                "'%(service)s' is no level of service of %(machine)s; choose one of its levels",
                service=wish.service[:40],
                machine=machine.text,
            ),
            "service",
        )
    if day < 0:
        raise TracelogError(
            _("is over; promise a day from %(today)s on", today=problem.days[0]),
            "pinned_on",
        )
    if day > problem.last:
        return
    others = [
        placed
        for placed, pin in zip(problem.promised, inputs.kept, strict=True)
        if (pin.machine.id, pin.service) != (machine.id, wish.service)
    ]
    why = clash(problem, Placed(*place, day), others)
    if why is not None:
        raise Conflict(why, "pinned_on")


def preview(
    inputs: PlanInputs,
    known: Directory,
    wish: PinRequest,
    asked: Planning,
    now: datetime,
    time_limit: float = TIME_LIMIT_SECONDS,
) -> Preview:
    """What a promise would cost.

    Args:
        inputs: of the plan as it stands.
        known: the plant's machines.
        wish: machine, service and day.
        asked: crews, days and weights.
        now: UTC.
        time_limit: seconds for each plan.

    Raises:
        TracelogError: as `check_wish`.
    """
    check_wish(inputs, known, wish)
    machine = known.bodymaker(wish.line, wish.bodymaker)
    pins = [*inputs.kept, *(one.pin for one in inputs.broken), *inputs.beyond]
    others = [one for one in pins if (one.machine.id, one.service) != (machine.id, wish.service)]
    wished = Pin(new_id(), machine, wish.service, wish.pinned_on, now, None, None)
    changed = with_pins(inputs, [*others, wished])
    before, after = plan_of(inputs, asked, time_limit), plan_of(changed, asked, time_limit)
    cost = after.solution.costs.total - before.solution.costs.total
    return Preview(cost, after, before)
