"""What must not happen: silent failures, figures withheld for nothing, alarms about nothing."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from entrypoint.planning.odds import probability_below
from entrypoint.reference import value
from tests.benchmarks.accuracy.limits import (
    CLEAN_RAISED,
    CLEAN_STOPPED,
    ENTRY,
    MEASURABLE_SLICES_MM,
    SIX,
    WITHHELD,
    Component,
    Figure,
    Line,
    Row,
    figures_of,
    percent,
    planned,
    raised,
    verdict,
)

_MOST_SHOWN = 20
MEASURED = (ENTRY, *SIX[2:])  # the entry is there or not: its two components are one figure


def described(row: Row) -> str:
    """Seed, scan and what is planted."""
    what = " + ".join(row["conditions"]) or "nothing planted"
    extra = "".join(f", {row[k]}" for k in ("field", "stored_as")
                    if row.get(k) and row[k] != "plain")
    return f"seed {row['seed']}, {row['slice_mm']:g} mm slices, {what}{extra}"


def told(figure: Figure) -> str:
    """Error of one figure with its spread, limit and findings; ``*`` names this figure."""
    f = figure
    sd = "" if f.sd_mm is None else f", SD {f.sd_mm:.2f}"
    limit = "" if f.limit_mm is None else f", {f.error_mm / f.limit_mm:.1f} x limit"
    findings = [f"{g['code']} {g['level']}{'*' if f.component.named_by(g) else ''}"
                for g in f.findings if g["code"] != "sides-as-stated"]
    return (f"{described(f.row)}: {f.component.name} {f.where} {f.error_mm:.2f}{sd}{limit}; "
            f"{', '.join(findings) or 'no finding'}")


def _listed(figures: Sequence[Figure]) -> list[Line]:
    worst = sorted(figures, key=lambda f: -f.error_mm / (f.limit_mm or f.component.silent_mm))
    lines = [Line(text=f"      {told(f)}") for f in worst[:_MOST_SHOWN]]
    if len(worst) > _MOST_SHOWN:
        lines.append(Line(text=f"      and {len(worst) - _MOST_SHOWN} more"))
    return lines


def silent_lines(rows: Sequence[Row]) -> list[Line]:
    """Figures that are wrong and of which nothing was said."""
    figures = [f for row in rows for f in figures_of(row)]
    by_sd = [f for f in figures if f.silent_by_sd]
    beyond = [f for f in figures if f.beyond_limit]
    lines = []
    for text, bad in (
        ("over 3 SDs and 3 mm (thickness 1 mm), no caution or stop on head or side",
         [f for f in by_sd if not f.warned]),
        ("over 3 SDs and 3 mm (thickness 1 mm), none that names the figure",
         [f for f in by_sd if not f.named]),
        ("over 3 times its limit, no caution or stop that names the figure",
         [f for f in beyond if not f.named]),
    ):
        heads = len({f.row["seed"] for f in bad})
        lines.append(Line(text=f"  {text}: {len(bad)} figures in {heads} heads (none)",
                          verdict=verdict(not bad)))
        lines += _listed(bad)
    lines.append(Line(text=f"  of {len(figures)} figures, over 3 SDs and 3 mm: {len(by_sd)}; "
                           f"over 3 times its limit: {len(beyond)}"))
    return [*lines, *_drill_lines(rows)]


def _drill_lines(rows: Sequence[Row]) -> list[Line]:
    """Drill stops that reach past the thinnest true bone near the path."""
    deep, n = [], 0
    for row in planned(rows):
        for name, side in row["sides"].items():
            start, true = side["start_on_bone_mm"], row["true"]["sides"][name]["thinnest_mm"]
            if start is not None and true is not None:
                n += 1
                if start > true:
                    deep.append(f"      {described(row)}: {name}, stop {start:g}, bone {true:.2f}")
    text = f"  drill stop set past the thinnest true bone near the path: {len(deep)} of {n} (1 %)"
    return [Line(text=text, verdict=verdict(len(deep) <= 0.01 * n)), *(Line(text=t) for t in deep)]


def _reason(row: Row, side: str, c: Component) -> str:
    if "refused" in row:
        first = re.split(r"[;.]| expected", row["refused"])[0]
        return "refused: " + re.sub(r"\d+(\.\d+)?", "#", first).strip()
    if side not in row["sides"]:
        codes = [f["code"] for f in raised(row["missing"].get(side, []))]
        return ", ".join(codes) or "side left out, nothing said"
    here = row["said"] + row["sides"][side]["said"]
    named = [f for f in here if c.named_by(f)]
    if named:
        return ", ".join(sorted({f["code"] for f in named}))
    stops = sorted({f["code"] for f in here if f["level"] == "stop"})
    return f"{', '.join(stops) or 'nothing said'} (does not name it)"


def measurable(row: Row, side: str) -> bool:
    """Whether the truth calls the figures of a side measurable."""
    true = row["true"]
    here = true["sides"][side]
    return bool(row["slice_mm"] <= MEASURABLE_SLICES_MM + 1e-6 and true["nasion_in_view"]
                and here["in_view"] and here["skull_mm"] is not None)


def withheld_lines(rows: Sequence[Row]) -> list[Line]:
    """Figures that could be measured and were not given, with what withheld them."""
    out: dict[str, list[tuple[Row, str]]] = {c.name: [] for c in MEASURED}
    reasons: Counter[str] = Counter()
    seeds: dict[str, set[int]] = {}
    asked = 0
    for row in rows:
        for side in row["true"]["sides"]:
            if not measurable(row, side):
                continue
            asked += 1
            given = {} if "refused" in row else row["sides"].get(side, {})
            for c in MEASURED:
                if c.error_of(given) is None:
                    out[c.name].append((row, side))
                    why = _reason(row, side, c)
                    reasons[why] += 1
                    seeds.setdefault(why, set()).add(row["seed"])
    total, n = sum(len(v) for v in out.values()), asked * len(MEASURED)
    lines = [Line(text=f"  all: {total} of {n}, {percent(total, n):.1f} % (at most 3 %)",
                  verdict=verdict(total <= WITHHELD * n))]
    lines += [Line(text=f"  {c.name}: {len(out[c.name])} of {asked}, "
                        f"{percent(len(out[c.name]), asked):.1f} %",
                   verdict=verdict(len(out[c.name]) <= WITHHELD * asked)) for c in MEASURED]
    for why, count in reasons.most_common():
        some = sorted(seeds[why])
        more = " ..." if len(some) > 6 else ""
        lines.append(Line(text=f"      {count} figures by {why}; seeds "
                               f"{', '.join(map(str, some[:6]))}{more}"))
    return lines


def breached(row: Row, side: str | None, finding: Row) -> str:
    """Whether the truth breaches what a finding says.

    Returns
    -------
    str
        ``truth`` where the true figure is beyond the limit; ``odds`` where it is not, but would
        raise the finding at the spreads that the plan states; empty otherwise.
    """
    true, code, limit = row["true"], finding["code"], finding["limit"]
    here = {} if side is None else true["sides"][side]
    mine = {} if side is None else row["sides"].get(side, {})

    def below(figure: str, *sds: str) -> str:
        found = here.get(figure)
        if found is None or limit is None:
            return ""
        if found < limit or (code == "sinus-envelope" and found <= limit):
            return "truth"
        if finding["level"] == "stop":
            return ""
        p = probability_below(limit, found, *(mine.get(k) or 0.0 for k in sds))
        return "odds" if p > value("probability_caution") else ""

    if code in ("suture-margin", "midline-margin"):
        name = code.removesuffix("-margin")
        return below(f"{name}_mm", f"{name}_sd_mm", f"{name}_definition_sd_mm")
    if code == "sinus-envelope":
        return below("sinus_mm", "midline_sd_mm", "midline_definition_sd_mm")
    if code == "suture-in-path":
        found = here.get("suture_mm")
        return "truth" if found is not None and abs(found) < limit else ""
    if code == "skull-thin":
        return below("skull_mm", "skull_sd_mm")
    return "truth" if _plainly(row, here, side, finding) else ""


def _plainly(row: Row, here: Row, side: str | None, finding: Row) -> bool:
    """Breaches that need no probability."""
    true, code, limit = row["true"], finding["code"], finding["limit"]
    level = finding["level"]
    if code == "child-suspected":
        if side is not None:
            skull = here["skull_mm"]
        else:  # of the whole head: its length, or the vault's thickness
            skull = row["length_mm"] if limit and limit > 50.0 else true["nominal_skull_mm"]
        return bool(true["child"] or (limit and skull is not None and skull < limit))
    if code == "scalp-swelling" and side is not None:
        other = true["sides"]["left" if side == "right" else "right"]
        return bool(abs(here["scalp_mm"] - other["scalp_mm"]) >= limit)
    if code == "bone-missing" and side is not None:
        return here["skull_mm"] is None
    if code == "frontal-sinus" and side is not None:
        air = here["air_mm"]  # 4 degrees over the bone add under 1 mm to the radius
        return bool(air is not None and air <= value("stop_near_radius") + 1.0)
    if code == "coarse-slices":
        return bool(row["slice_mm"] > limit)
    if code == "noise":
        return bool(row["noise_hu"] > limit * (2.0 if level == "caution" else 1.0))
    if code == "nasion-shallow":
        return bool(true["nasion_hollow_mm"] < limit)
    if code == "plane-uncertain":
        return bool(row["plane_mm"] > limit or row["plane_deg"] > value("plane_sd_deg_caution"))
    if code == "thickness-uncertain" and side is not None:
        return abs(row["sides"][side]["skull_mm"] or 0.0) > limit
    if code == "measure-unusual":
        return bool(row["length_mm"] > limit)
    if code == "landmark-doubtful":
        names = [f.removeprefix("landmarks.") for f in finding["figures"] if "landmarks." in f]
        return any((row.get(f"{name}_mm") or 0.0) > (finding["value"] or 0.0) for name in names)
    if code == "field-of-view":
        return not (true["nasion_in_view"] and all(s["in_view"] for s in true["sides"].values()))
    if code in ("stored-values", "world-matrices-differ", "unit-assumed"):
        return bool(row.get("stored_as", "plain") != "plain")
    return False


def _raised_of(row: Row) -> list[tuple[str | None, Row]]:
    """Cautions and stops of a head with the side that they are about."""
    out: list[tuple[str | None, Row]] = [(None, f) for f in raised(row["said"])]
    for side in row["true"]["sides"]:
        mine = row["missing"].get(side) if side in row["missing"] else row["sides"][side]["said"]
        out += [(side, f) for f in raised(mine)]
    return out


def clean(row: Row) -> bool:
    """Whether nothing is planted and nothing is cut off."""
    return not row["conditions"] and not row.get("field")


def clean_lines(rows: Sequence[Row]) -> list[Line]:
    """Cautions and stops on heads with nothing planted, against the truth."""
    heads = [r for r in rows if clean(r)]
    strict, stated, stopped, stopped_wrongly, any_raised = 0, 0, 0, 0, 0
    codes: dict[str, Counter[str]] = {}
    seeds: dict[str, set[int]] = {}
    for row in heads:
        if "refused" in row:
            found = [("refused", "")]
            levels = {("stop", "")}
        else:
            pairs = [(f, breached(row, side, f)) for side, f in _raised_of(row)]
            found = [(f"{f['code']} {f['level']}", b) for f, b in pairs]
            levels = {(f["level"], b) for f, b in pairs}
        any_raised += bool(found)
        strict += any(b != "truth" for _, b in found)
        stated += any(not b for _, b in found)
        stopped += any(lv == "stop" for lv, _ in levels)
        stopped_wrongly += ("stop", "") in levels
        for code in {c for c, _ in found}:
            how = [b for c, b in found if c == code]
            worst = "not" if "" in how else "odds" if "odds" in how else "truth"
            codes.setdefault(code, Counter())[worst] += 1
            if worst == "not":
                seeds.setdefault(code, set()).add(row["seed"])
    n = len(heads)
    share = f"of {n} heads with nothing planted"
    lines = [
        Line(text=f"  caution or stop that the truth does not breach, at its best figure: {strict} "
                  f"{share}, {percent(strict, n):.1f} % (at most 5 %)",
             verdict=verdict(strict <= CLEAN_RAISED * n)),
        Line(text=f"  the same, where the true figure would not raise it at the stated spread "
                  f"either: {stated}, {percent(stated, n):.1f} % (at most 5 %)",
             verdict=verdict(stated <= CLEAN_RAISED * n)),
        Line(text=f"  with any stop: {stopped}, {percent(stopped, n):.1f} % (under 1 %); not "
                  f"breached by the truth: {stopped_wrongly}",
             verdict=verdict(stopped < CLEAN_STOPPED * n or stopped == 0)),
        Line(text=f"  with any caution or stop: {any_raised}, {percent(any_raised, n):.1f} %"),
    ]
    for code, kept in sorted(codes.items(), key=lambda item: -sum(item[1].values())):
        some = sorted(seeds.get(code, ()))[:8]
        lines.append(Line(
            text=f"      {code}: {sum(kept.values())} heads, breached {kept['truth']}, at stated "
                 f"spread {kept['odds']}, not {kept['not']}"
                 + (f"; seeds {', '.join(map(str, some))}" if some else "")))
    return lines


def worst_lines(rows: Sequence[Row], most: int = 10) -> list[Line]:
    """The heads with the largest error over its limit, one line each."""
    best = [max(figures_of(row), key=lambda f: f.score, default=None) for row in planned(rows)]
    ranked = sorted((f for f in best if f is not None), key=lambda f: -f.score)[:most]
    return [Line(text=f"  {f.score:5.1f}  {told(f)}") for f in ranked]
