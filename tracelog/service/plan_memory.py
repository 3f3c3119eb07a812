"""Plans that were made already, so that who looks again does not wait again.

A plan depends on nothing but its problem, so it is known by the problem's content. Each process
has its own; at most one plan is made at a time in it, since making one uses all processors.
"""

import hashlib
from collections import OrderedDict
from threading import Lock

from tracelog.service.plan_rules import PlanProblem
from tracelog.service.plan_solver import Solution, best_plan
from tracelog.service.plan_tables import PlanTables

_MOST = 64


def digest(problem: PlanProblem) -> str:
    """What tells one problem from another: a hash of all that it says."""
    hashed = hashlib.sha256()
    general = (
        *(problem.days, problem.works, problem.crews, problem.crew_people),
        *(problem.crew_hours, problem.weights, sorted(problem.promised)),
    )
    hashed.update(repr(general).encode())
    for machine in problem.machines:
        duties = [(one, sorted(one.does)) for one in machine.duties]
        hashed.update(repr((machine.name, machine.line, duties, machine.blocked)).encode())
        hashed.update(repr(machine.daily).encode())
        for array in (machine.strokes, machine.deviation, machine.hours_up, machine.hours_stopped):
            hashed.update(array.tobytes())
    return hashed.hexdigest()


class PlanMemory:
    """The plans made last in this process."""

    def __init__(self) -> None:
        self._made: OrderedDict[tuple[str, float], Solution] = OrderedDict()
        self._turn = Lock()

    def best_plan(self, tables: PlanTables, time_limit: float) -> Solution:
        """The best plan, made now or before.

        Args:
            tables: of the problem.
            time_limit: as `plan_solver.best_plan`.
        """
        key = digest(tables.problem), time_limit
        with self._turn:
            if key not in self._made:
                self._made[key] = best_plan(tables, time_limit)
                while len(self._made) > _MOST:
                    self._made.popitem(last=False)
            self._made.move_to_end(key)
            return self._made[key]


memory = PlanMemory()
