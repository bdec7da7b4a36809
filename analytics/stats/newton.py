"""Newton's method with halved steps, which names the coefficient that runs away."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

import numpy as np

from analytics.errors import NotEstimableError

# In standard deviations of a covariate: closer than this, the next step would be rounding.
SMALLEST_STEP = 1e-9
# A step as long as this that no longer raises the likelihood means that the likelihood is flat
# there: the coefficient has no finite maximum.
RUNAWAY_STEP = 1e-3
FLAT_GAIN = 1e-9
# No step moves a coefficient further than this: far out, exponentials overflow.
LONGEST_STEP = 5.0
MOST_STEPS = 60
MOST_HALVINGS = 30


class _Evaluated(Protocol):
    @property
    def log_likelihood(self) -> float: ...

    @property
    def score(self) -> np.ndarray: ...


Evaluated = TypeVar("Evaluated", bound=_Evaluated)


@dataclass(frozen=True)
class Problem(Generic[Evaluated]):
    """A log-likelihood to be maximised.

    Parameters
    ----------
    evaluate
        Coefficients (p,) to an object with ``log_likelihood`` and ``score``.
    information
        That object to minus the second derivatives (p, p).
    names
        Name of each coefficient, for the errors.
    counts
        What there was to estimate from, for the errors.
    """

    evaluate: Callable[[np.ndarray], Evaluated]
    information: Callable[[Evaluated], np.ndarray]
    names: tuple[str, ...]
    counts: dict[str, int]


def maximise(problem: Problem[Evaluated], start: np.ndarray) -> tuple[np.ndarray, Evaluated]:
    """Climb to the maximum.

    Parameters
    ----------
    problem
        What to maximise.
    start
        (p,) first coefficients.

    Returns
    -------
    tuple
        (p,) coefficients and the evaluated likelihood there.

    Raises
    ------
    NotEstimableError
        ``separation`` when a coefficient grows without end, ``not_converged`` otherwise.
    """
    at, here = start, problem.evaluate(start)
    for _ in range(MOST_STEPS):
        step = _uphill(problem.information(here), here.score)
        there, moved = _climb(problem, here, at, step)
        longest = int(np.argmax(np.abs(step)))
        if abs(step[longest]) < SMALLEST_STEP:
            return at + moved, there
        gain = there.log_likelihood - here.log_likelihood
        if abs(step[longest]) > RUNAWAY_STEP and gain < FLAT_GAIN:
            raise NotEstimableError(
                "separation", covariate=problem.names[longest], **problem.counts
            )
        at, here = at + moved, there
    raise NotEstimableError("not_converged", n_steps=MOST_STEPS, **problem.counts)


def _uphill(information: np.ndarray, score: np.ndarray) -> np.ndarray:
    # Away from the maximum the information need not be positive: lift it until it is.
    size = np.abs(np.diag(information)).max()
    for lift in (0.0, *10.0 ** np.arange(-8, 4)):
        lifted = information + lift * size * np.eye(len(score))
        try:
            np.linalg.cholesky(lifted)
        except np.linalg.LinAlgError:
            continue
        return np.linalg.solve(lifted, score)
    return score / max(size, 1.0)


def _climb(
    problem: Problem[Evaluated], here: Evaluated, at: np.ndarray, step: np.ndarray
) -> tuple[Evaluated, np.ndarray]:
    slack = 1e-12 * (1 + abs(here.log_likelihood))
    moved = step * (LONGEST_STEP / max(float(np.abs(step).max()), LONGEST_STEP))
    for _ in range(MOST_HALVINGS):
        there = problem.evaluate(at + moved)
        if there.log_likelihood >= here.log_likelihood - slack:
            return there, moved
        moved = moved / 2
    return here, np.zeros_like(step)
