"""Several hundred simulated nights of one of three simulations, scored::

python -m tests.benchmarks.pressure_test_ensemble [nights] [first seed] [lags | balance | plain]
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from typing import Any

import numpy as np

from analysis.pressure_test import assess
from analysis.result import Assessment, Figure
from analysis.stretch import seconds
from tests.benchmarks.pressure_test_nights import Night, make_night
from tests.benchmarks.pressure_test_other_nights import make_other_night
from tests.benchmarks.pressure_test_plain_nights import make_plain_night

SCORES = {
    "seed",
    "verdict",
    "text",
    "loss",
    "allowed",
    "bound",
    "estimate",
    "low",
    "high",
    "alarm_h",
    "decided_h",
    "two",
    "ols",
    "ols_half",
    "kinds",
}
MAKERS = {"lags": make_night, "balance": make_other_night, "plain": make_plain_night}


def _value(figures: Any, name: str) -> float:
    figure = figures.get(name)
    return figure.si if isinstance(figure, Figure) else np.nan


def _by_hand(night: Night, least_squares: bool) -> tuple[float, float]:
    """Return loss and half width by the two-point correction or by plain least squares on 10 min means."""
    frame = night.stretch.frame
    at = seconds(frame.index)
    name = next((n for n in ("surface_temperature", "ambient_temperature") if n in frame), None)
    p = frame["circuit_pressure"].to_numpy()
    k = np.ones(len(p)) if name is None else frame[name].to_numpy()
    keep = (at > at[-1] * 0.1) & (at < at[-1] - 1000.0) & np.isfinite(p) & np.isfinite(k)
    p, at, k = p[keep], at[keep], k[keep]
    p = p * np.mean(k) / k
    if not least_squares:
        per = max(1, int(300.0 / float(np.median(np.diff(at)))))
        return -(np.mean(p[-per:]) - np.mean(p[:per])) / (at[-1] - at[0]), np.nan
    slope, cover = np.polyfit(at - at[0], p, 1, cov=True)
    return -float(slope[0]), 1.96 * float(np.sqrt(cover[0, 0]))


def _decided_h(found: Assessment, night: Night) -> float:
    """Return after how many hours the interval lay on one side of what is allowed to stay there, NaN when undecided."""
    if found.verdict == "undecided" or "loss_low" not in found.traces:
        return np.nan
    low, high = found.traces["loss_low"], found.traces["loss_high"]
    beyond = low > night.allowed if found.verdict == "leaking" else high < night.allowed
    open_ = np.flatnonzero(~beyond)
    first = int(open_[-1]) + 1 if len(open_) else 0
    return float((low.index[min(first, len(low) - 1)] - night.stretch.begin).total_seconds() / 3600)


def score(seed: int, kind: str = "lags") -> dict[str, Any]:
    """Return what one night gave."""
    night = MAKERS[kind](seed)
    found = assess(night.stretch)
    figures = found.figures
    low, high = _value(figures, "loss_rate_low"), _value(figures, "loss_rate_high")
    alarms = [f for f in found.findings if f.kind == "loss_alarm"]
    two, _ = _by_hand(night, False)
    ols, ols_half = _by_hand(night, True)
    return {
        "seed": seed,
        "verdict": found.verdict,
        "text": found.text,
        "loss": night.loss,
        "allowed": night.allowed,
        "bound": night.bound,
        "estimate": _value(figures, "loss_rate"),
        "low": low,
        "high": high,
        "alarm_h": (alarms[0].time - night.stretch.begin).total_seconds() / 3600 if alarms else np.nan,
        "decided_h": _decided_h(found, night),
        "two": two,
        "ols": ols,
        "ols_half": ols_half,
        "kinds": [f.kind for f in found.findings],
        **night.facts,
    }


def table(rows: list[dict[str, Any]]) -> list[str]:
    """Return the printed table."""

    def col(name: str) -> np.ndarray:
        return np.array([r[name] for r in rows], dtype=float)

    loss, allowed, bound = col("loss"), col("allowed"), col("bound")
    est, low, high = col("estimate"), col("low"), col("high")
    verdict = np.array([r["verdict"] for r in rows])
    judged = np.isfinite(est)
    truly_leaking = loss > allowed
    inside = (low <= loss) & (loss <= high)
    missed = np.abs(est - loss) / bound
    half = (high - low) / 2.0 / bound
    decidable = np.abs(loss - allowed) > 4.0 * bound
    lines = [f"nights {len(rows)}, judged {judged.sum()}"]

    def rate(mask: np.ndarray, of: np.ndarray) -> str:
        return f"{100 * np.mean(mask[of]):5.1f} % ({int(mask[of].sum())}/{int(of.sum())})" if of.any() else "-"

    everything = np.ones(len(rows), dtype=bool)
    two_points = np.array(["leaking" if r["two"] > r["allowed"] else "tight" for r in rows])
    ols = np.array(
        [
            "leaking"
            if r["ols"] - r["ols_half"] > r["allowed"]
            else "tight"
            if r["ols"] + r["ols_half"] < r["allowed"]
            else "undecided"
            for r in rows
        ]
    )
    for name, said in (("this model", verdict), ("two points", two_points), ("least squares", ols)):
        lines.append(
            f"{name:14s} false tight {rate((said == 'tight') & truly_leaking, everything):18s} "
            f"of leaking {rate(said == 'tight', truly_leaking):18s} "
            f"false leaking {rate((said == 'leaking') & ~truly_leaking, everything):18s} "
            f"undecided {rate(said == 'undecided', everything):18s}"
        )
    lines.append(f"undecided where decidable (4 x bound): {rate(verdict == 'undecided', decidable)}")
    lines.append(f"coverage: {rate(inside, judged)}")
    lines.append(f"median |error| / bound: {np.nanmedian(np.abs(est - loss) / bound):.2f}")
    hand = {name: np.nanmedian(np.abs(col(name) - loss) / bound) for name in ("two", "ols")}
    lines.append(f"by hand: two points {hand['two']:.2f}, least squares {hand['ols']:.2f}")
    hours = col("decided_h")
    for name in ("tight", "leaking"):
        of = hours[verdict == name]
        if np.isfinite(of).any():
            middle, most = np.nanquantile(of, [0.5, 0.9])
            lines.append(f"hours to decision, {name}: median {middle:.1f}, nine of ten within {most:.1f}")
    lines.append(
        f"hours to alarm, leaks over twice the allowed: median {np.nanmedian(col('alarm_h')[loss > 2 * allowed]):.1f}"
    )
    lines.append(f"alarm without leak: {rate(np.isfinite(col('alarm_h')) & ~truly_leaking, everything)}")
    few = [key for key in rows[0] if key not in SCORES and len({r[key] for r in rows}) <= 8]
    for key in few:
        for value in sorted({r[key] for r in rows}, key=str):
            of = np.array([r[key] == value for r in rows])
            lines.append(
                f"  {key}={value!s:12s} n={of.sum():4d} cover {rate(inside, of & judged):18s} undecided/decidable "
                f"{rate(verdict == 'undecided', of & decidable):18s} err/bound {np.nanmedian(missed[of]):5.2f} "
                f"half/bound {np.nanmedian(half[of]):6.2f} wrong "
                f"{int((((verdict == 'tight') & truly_leaking) | ((verdict == 'leaking') & ~truly_leaking))[of].sum())}"
            )
    wrong = [
        r["seed"]
        for r in rows
        if (r["verdict"] == "tight" and r["loss"] > r["allowed"])
        or (r["verdict"] == "leaking" and r["loss"] <= r["allowed"])
    ]
    lines.append(f"wrong seeds: {wrong}")
    return lines


def run(nights: int, first: int = 0, kind: str = "lags") -> list[dict[str, Any]]:
    """Return the scores of several nights."""
    with ProcessPoolExecutor(2) as pool:
        return list(pool.map(score, range(first, first + nights), [kind] * nights, chunksize=5))


if __name__ == "__main__":
    how_many = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    since = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    print("\n".join(table(run(how_many, since, sys.argv[3] if len(sys.argv) > 3 else "lags"))))
