"""How often clinics that are in control are flagged, and one that is not is found.

Run: python tests/benchmarks/clinic_flags.py (about a minute). Writes clinic_flags.md beside it.
Networks of clinics of 20 to 300 children around a share of 15%; clinics' true shares vary by
``spread`` (standard deviation on the scale of the share); in the last lines one clinic of 130
has twice the network's share.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from analytics.analyses.clinic_limits import ACTION, Units, find_limits, without_outliers
from analytics.stats.funnel import outside

SEED, N_NETWORKS, SHARE = 20261125, 500, 0.15


def network(rng: np.random.Generator, n_clinics: int, spread: float, *, odd: bool) -> Units:
    size = rng.integers(20, 301, n_clinics)
    true = np.clip(rng.normal(SHARE, spread, n_clinics), 0.01, 0.6)
    if odd:
        size[0], true[0] = 130, 2 * SHARE
    seen = rng.binomial(size, true)
    share = seen.sum() / size.sum()
    table = pd.DataFrame(
        {"numerator": seen, "denominator": size, "expected": size * share, "estimate": seen / size}
    ).assign(lower=np.nan, upper=np.nan)
    return Units(table, np.sqrt(share * (1 - share) / size), float(share))


def flagged(units: Units) -> np.ndarray:
    units, spread = without_outliers(units)
    size = units.table["denominator"].to_numpy(dtype=float)
    limits = find_limits(size, units.error, units, level=ACTION, spread=spread)
    return outside(units.table["estimate"].to_numpy(), limits) != 0


def main() -> None:
    rng = np.random.default_rng(SEED)
    lines = []
    for n_clinics in (5, 14, 50):
        for spread in (0.0, 0.02, 0.05):
            for odd in (False, True):
                hits = np.array(
                    [flagged(network(rng, n_clinics, spread, odd=odd)) for _ in range(N_NETWORKS)]
                )
                plain = hits[:, 1:] if odd else hits
                error = np.sqrt(plain.mean() * (1 - plain.mean()) / plain.size)
                found = f"{100 * hits[:, 0].mean():.0f}%" if odd else "-"
                lines.append(
                    f"| {n_clinics} | {spread} | {'one' if odd else 'none'} | "
                    f"{100 * plain.mean():.2f}% ({100 * error:.2f}) | {found} |"
                )
                print(lines[-1], flush=True)  # noqa: T201
    text = (
        f"# Flags of clinics at 99.8% limits\n\n{N_NETWORKS} networks a line, seed {SEED}.\n\n"
        "| clinics | spread of true shares | odd clinic | in control flagged (MC error) | odd one "
        "found |\n|---|---|---|---|---|\n" + "\n".join(lines) + "\n"
    )
    Path(__file__).with_suffix(".md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
