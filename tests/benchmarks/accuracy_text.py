"""Lines and tables of the accuracy benchmark, from a group's summary."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from running import Tally
from scoring import PairScore


def _percent(value: float | None) -> str:
    return "    -" if value is None else f"{100 * value:5.1f}"


HEADER = (
    f"{'group':16s} {'estimator':17s} decided wrong/judged disputed |"
    " nearest ms: med   95% <.05  <.1  <.3  <.5 | dominant: med   95%  <.1  <.3  <.5 | sources<.3 |"
    " equivariant sign/<.1 | repeats sign/<.3 | closed<.1 |  AUC  ECE | related | seconds"
)


def line(group: str, name: str, s: Mapping[str, Any], tally: Tally) -> str:
    """One estimator's line of one group."""

    def errors(e: Mapping[str, float] | None, *limits: float) -> str:
        if e is None:
            return " " * (16 + 5 * len(limits))
        near = " ".join(f"{100 * e[f'within_{t}']:4.0f}" for t in limits)
        return f"{e['median']:9.3f} {e['p95']:6.2f} {near}"

    def agree(a: Mapping[str, Any] | None, key: str) -> str:
        return "    -/    -" if a is None else f"{_percent(a['sign'])}/{_percent(a[key])}"

    auc = "   -" if s["auc"] is None else f"{s['auc']:.2f}"
    ece = "   -" if s["ece"] is None else f"{s['ece']:.3f}"
    nearest, dominant = errors(s["any"], 0.05, 0.1, 0.3, 0.5), errors(s["dominant"], 0.1, 0.3, 0.5)
    same = agree(s["equivariance"], "within_0.1")
    again = agree(s["repeats"], "within_0.3")
    return (
        f"{group:16s} {name:17s} {_percent(s['decided'])} {s['wrong']:6d}/{s['n_decided']:<6d} "
        f"{s['disputed_wrong']:>8s} | {nearest} | {dominant} "
        f"| {_percent(s['sources_right'])} | {same} | {again} "
        f"| {_percent(s['closure_within_0.1'])} | {auc} {ece} | {_percent(s['false_related'])} "
        f"| {np.mean(tally.seconds):.1f}"
    )


def group_lines(group: str, name: str, summary: Mapping[str, Any], tally: Tally) -> list[str]:
    """Lines of one estimator on one group; the first is a row under the header."""
    lines = [line(group, name, summary, tally), told_line(summary)]
    lines += [extras_line(tally.extras)] if any(tally.extras) else []
    if summary["strong"] is not None:
        lines.append(f"graded strong {_percent(summary['strong'])} % of decided")
    if (twins := summary["equivariance"]) is not None:
        lines.append(
            f"twins: offsets moved as injected {twins['moved']}/{twins['both_timed']}, "
            f"decided in one only {twins['decided_once']}/{twins['decided_any']}"
        )
    lines += [f"no offset: {text}"] if (text := why_untimed(summary)) else []
    lines += [text] if (text := snare_heads(tally.scores)) else []
    return lines


def told_line(summary: Mapping[str, Any]) -> str:
    """Say what the shares are shares of, and whether the ± holds."""
    text = (
        f"pairs {summary['all_pairs']}, polarity known {summary['pairs']}, judged {summary['n_decided']}; "
        f"settled {summary['settled']}: offset given {_percent(summary['timed'])} %, "
        f"leading source within 0.3 ms {_percent(summary['timed_right'])} % of them"
    )
    held = summary["coverage"]
    if held is None:
        return text
    return (
        f"{text}; ± holds {_percent(held['within_1'])}/{_percent(held['within_2'])} % at 1/2 std "
        f"(n {held['count']}), median ± over median error {held['width']:.1f}"
    )


def why_untimed(summary: Mapping[str, Any]) -> str:
    """Causes that were told where a settled pair got no offset, most frequent first."""
    counted = sorted(summary["untimed"].items(), key=lambda item: (-item[1], item[0]))
    return ", ".join(f"{code} {count}" for code, count in counted)


def extras_line(extras: Sequence[Mapping[str, float]]) -> str:
    """Averages of a group's extra numbers."""
    keys = sorted({k for e in extras for k in e})
    return "; ".join(f"{k} {np.mean([e[k] for e in extras if k in e]):.3g}" for k in keys)


def snare_heads(scores: Sequence[PairScore]) -> str | None:
    """Tell of the one pair of the kit whose truth every hit shows: snare top against bottom."""
    heads = {"snare_top", "snare_bottom"}
    rows = [s for s in scores if {s.reference, s.other} == heads and s.polarity_known]
    if not rows:
        return None
    right = sum(bool(s.polarity_right) for s in rows)
    near = sum(s.error_dominant_ms is not None and s.error_dominant_ms <= 0.3 for s in rows)
    sure = np.median([s.confidence for s in rows if s.confidence is not None] or [0.0])
    n = len(rows)
    return f"snare top/bottom: right {right}/{n}, within 0.3 ms {near}/{n}, confidence {sure:.2f}"


def table_of(
    results: Mapping[str, Any], estimators: Sequence[str] = ("ours",)
) -> tuple[list[str], list[list[str]]]:
    """Header and rows for DEVELOPERS.md, group by group; names tell other estimators than that of record."""

    def share(value: float | None, count: int) -> str:
        return "" if value is None or not count else f"{100 * value:.0f} % of {count}"

    def within(errors: Mapping[str, float] | None) -> str:
        if errors is None:
            return ""
        near = " / ".join(f"{100 * errors[f'within_{t}']:.0f}" for t in (0.1, 0.3))
        return f"{near} % of {errors['count']:.0f}"

    def held(coverage: Mapping[str, float] | None) -> str:
        if coverage is None:
            return ""
        return (
            f"{100 * coverage['within_1']:.0f} / {100 * coverage['within_2']:.0f} % of "
            f"{coverage['count']:.0f}; {coverage['width']:.1f}"
        )

    rows = [
        [
            name if of == "ours" else f"{name}, {of}",
            share(s["decided"], s["pairs"]),
            f"{s['wrong']} of {s['n_decided']}",
            share(s["timed"], s["settled"]),
            why_untimed(s),
            within(s["any"]),
            within(s["dominant"]),
            held(s["coverage"]),
            "" if s["ece"] is None else f"{s['ece']:.3f}",
        ]
        for name, group in results.items()
        if name != "all"
        for of in estimators
        if (s := group.get(of)) is not None
    ]
    header = [
        "group",
        "decided, of pairs of known polarity",
        "wrong, of those judged",
        "offset given, of settled pairs",
        "why not (pairs)",
        "within 0.1 / 0.3 ms of a source that sounds, of decided and settled",
        "of the leading one",
        "truth within 1 / 2 σ of the ±; median ± over median error (normal errors: 1)",
        "calibration error",
    ]
    return header, rows


def print_wrong(scores: Sequence[PairScore]) -> None:
    """List every wrong polarity and every offset more than 0.3 ms from all true sources."""
    for s in scores:
        far = s.decided and s.settled and s.error_any_ms is not None and s.error_any_ms > 0.3
        if s.polarity_right is False or far or (s.truly_related is False and s.called_related):
            print(f"    {s}")
