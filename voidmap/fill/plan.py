"""The fill plan: methods, amounts, batches, lifts, coats, in the order of the work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from voidmap.errors import ValueRefused
from voidmap.fill.advice import clashes, notes
from voidmap.fill.bench import Bench, bench_of
from voidmap.fill.cautions import Work, cautions_for
from voidmap.fill.coats import plan_coats
from voidmap.fill.cups import minutes_of
from voidmap.fill.filling import Filling, chance_table, fill_cups
from voidmap.fill.methods import choose_methods, dam_mm, side_name
from voidmap.fill.mixing import parse_scale_step, pigment_g
from voidmap.fill.resin import Resin
from voidmap.fill.shopping import purchase
from voidmap.fill.timeline import schedule, start_times_h
from voidmap.records import Allowances, Batch, Dam, FillPlan, Intake, Interval, Pour, Tape

OVERFILL_MM = 1.0
"""Usual height over the rim, to be sanded flush; common practice, no source."""
GREATEST_OVERFILL_MM = 10.0
SAID_GROWTH = 0.03
"""A batch made bigger than asked for by less than this is not worth a word."""
FINE_STEP = 0.1
"""g or ml; finer steps gain nothing at a bench."""
CHANCE_LIMITS = (0.001, 0.5)


def plan(
    intake: Intake,
    resin: Resin,
    *,
    overfill_mm: float = OVERFILL_MM,
    temperature_c: float | None = None,
    chance: float = 0.05,
    scale_step: str = "1g",
    seal_coats: int | None = None,
    methods: Mapping[str, str] | None = None,
    most_lifts: int | None = None,
    coat_every_h: float | None = None,
    start_h: float = 8.0,
) -> FillPlan:
    """Plan the fill of a slab.

    Parameters
    ----------
    intake
        The slab with its defects.
    resin
        What ``resin.toml`` holds.
    overfill_mm
        Height over the rim, to be sanded flush.
    temperature_c
        Of shop, slab and resin; the file's when None.
    chance
        Accepted chance that any cup runs short.
    scale_step
        What the user measures with, such as 0.1g, 1g or 1ml.
    seal_coats
        Number of seal coats; the file's when None.
    methods
        Defect id to method name: the user's own choices.
    most_lifts
        The most lifts that the user means to pour: checked against the resin, never obeyed past it.
    coat_every_h
        Hours between two coats, checked against the recoat window.
    start_h
        Time of day of the first stir, hours after midnight.

    Raises
    ------
    ValueRefused
        When an input can't be right, or the resin's limits can't be kept.
    """
    _check(overfill_mm, chance, seal_coats, most_lifts)
    bench = bench_of(resin, parse_scale_step(scale_step), temperature_c)
    slab = intake.slab
    chosen = choose_methods(intake.defects, slab, overrule=methods)
    used = {m.defect: m.method for m in chosen}
    filling = fill_cups(intake, resin, bench, used, overfill_mm, chance)
    cups, starts = filling.cups, start_times_h(filling.cups, bench)
    wet = [d for d in intake.defects if used[d.id] in ("tinted_resin", "thin_resin")]
    coats, coat_purchase = plan_coats(slab, resin, bench.scale, seal_coats=seal_coats)
    mix = sum(p.ml for p in filling.portions)
    margin = resin.number("coats", "margin_percent") / 100
    purchases = [
        purchase(words, _mixed(filling, name), margin, getattr(resin, name).containers)
        for name, words in (("fill", "fill resin"), ("thin", "thin resin"))
        if _mixed(filling, name) > 0
    ]
    return FillPlan(
        resin=_plain(resin),
        methods=chosen,
        volume_ml=sum(d.volume_ml for d in wet),
        volume_interval_ml=filling.draws.total_interval_ml() if wet else Interval(0.0, 0.0),
        allowances=Allowances(
            overfill_ml=sum(n.overfill_ml for n in filling.draws.needs),
            soak_ml=sum(n.soak.median for n in filling.draws.needs),
            cup_ml=bench.cup_loss_ml * len(cups),
        ),
        mix_ml=mix,
        chance_short=filling.chance,
        batches=tuple(_batch(k, filling, starts, bench) for k in range(len(cups))),
        dams=tuple(Dam(d.id, dam_mm(d), side_name(d, slab)) for d in wet if d.opens_on_edge),
        tape=tuple(Tape(d.id) for d in wet if d.through),
        coats=coats,
        cautions=cautions_for(_work(filling, used)),
        assumed=_assumed(resin, filling),
        contradictions=tuple(
            c.sentence for c in clashes(intake, resin, bench, used, overfill_mm, most_lifts, coat_every_h)
        ),
        chance_table=chance_table(filling, bench),
        batch_bound=filling.bound,
        inputs={
            "overfill_mm": overfill_mm,
            "temperature_c": bench.temperature_c,
            "chance_short": chance,
            "scale_step": bench.scale.words,
            "seal_coats": coats.seal_coats,
            "most_lifts": most_lifts,
            "coat_every_h": coat_every_h,
            "start_h": start_h,
            "methods": dict(methods or {}),
        },
        schedule=schedule(cups, starts, bench, resin.coat, seal_coats=coats.seal_coats, coat_every_h=coat_every_h),
        purchases=(*purchases, coat_purchase),
        notes=notes(intake, resin, bench, filling, starts, used, overfill_mm),
    )


def _check(overfill_mm: float, chance: float, seal_coats: int | None, most_lifts: int | None) -> None:
    if not 0 <= overfill_mm <= GREATEST_OVERFILL_MM:
        raise ValueRefused(
            f"an overfill of {overfill_mm:g} mm can't be right", f"give 0 to {GREATEST_OVERFILL_MM:g} mm, such as 1mm"
        )
    lo, hi = CHANCE_LIMITS
    if not lo <= chance <= hi:
        raise ValueRefused(f"a chance of running short of {chance:g} can't be right", f"give {lo:g} to {hi:g}")
    if seal_coats is not None and not 0 <= seal_coats <= 10:
        raise ValueRefused(f"{seal_coats} seal coats can't be right", "give 0 to 10")
    if most_lifts is not None and most_lifts < 1:
        raise ValueRefused(f"{most_lifts} lifts can't be right", "give 1 or more")


def _plain(resin: Resin) -> dict[str, Any]:
    """Return the file's values as plain JSON values."""
    out: dict[str, Any] = {}
    for section, values in resin.values.items():
        out[section] = {
            key: [vars(c) for c in value] if key == "containers" else value for key, value in values.items()
        }
    return out


def _mixed(filling: Filling, product: str) -> float:
    return sum(p.ml for cup, p in zip(filling.cups, filling.portions, strict=True) if cup.product.name == product)


def _batch(index: int, filling: Filling, starts: Sequence[float], bench: Bench) -> Batch:
    cup, mixed = filling.cups[index], filling.portions[index]
    notes = []
    asked = cup.mix_ml(filling.draws.needs, filling.level, bench.cup_loss_ml)
    if mixed.grown and mixed.ml > asked * (1 + SAID_GROWTH):
        finer = ", a 0.1 g scale would need less" if bench.scale.step > FINE_STEP else ""
        notes.append(
            f"made {mixed.ml - asked:.0f} ml bigger so that steps of {bench.scale.words} keep the ratio "
            f"within 1 %{finer}"
        )
    for item in cup.items:
        if item.pieces > 1 and item.piece == 1:
            notes.append(f"{item.defect} takes {item.pieces} cups, one straight after the other")
    return Batch(
        number=index + 1,
        defects=tuple(dict.fromkeys(item.defect for item in cup.items)),
        lift=cup.round,
        mix_ml=mixed.ml,
        part_a_ml=mixed.a_ml,
        part_b_ml=mixed.b_ml,
        part_a_g=mixed.a_g,
        part_b_g=mixed.b_g,
        pigment_g=pigment_g(mixed.g, cup.pigment_share),
        minutes=minutes_of(cup, bench),
        start_h=starts[index],
        note="; ".join(notes),
        resin=cup.product.name,
        pours=tuple(Pour(i.defect, i.lift, i.lifts, i.ml, i.depth_mm, cup=i.piece, cups=i.pieces) for i in cup.items),
    )


def _assumed(resin: Resin, filling: Filling) -> tuple[str, ...]:
    """Return the assumed values that this plan rests on."""
    poured = {cup.product.name for cup in filling.cups}
    idle = {"fill", "pigment"} - ({"fill", "pigment"} if "fill" in poured else set())
    idle |= {"thin"} - poured | ({"soak"} if not poured else set())
    kinds = {f"soak.{need.kind} " for need in filling.draws.needs}
    return tuple(
        line
        for line in resin.assumed
        if line.partition(".")[0] not in idle
        and (not line.startswith("soak.") or any(line.startswith(kind) for kind in kinds))
    )


def _work(filling: Filling, used: Mapping[str, str]) -> Work:
    masses = [cup.mass_g(p) for cup, p in zip(filling.cups, filling.portions, strict=True)]
    return Work(
        resin=bool(filling.cups),
        heaviest_cup_g=max(masses, default=0.0),
        deepest_pour_mm=max((item.depth_mm for cup in filling.cups for item in cup.items), default=0.0),
        coats=True,
        glue="sawdust_glue" in used.values(),
        wax="wax_stick" in used.values(),
    )
