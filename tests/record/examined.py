"""An invented audit, ranking, calibration and pool of draws of whatever observations, origins and tables a spec has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from gaugeglass.judgement.calibration import LEVELS, Calibration, Truths, gather
from gaugeglass.judgement.codes import MISSING, Column
from gaugeglass.judgement.findings import Audit, Contradiction, PriorFindings, Unit, UnitFinding
from gaugeglass.judgement.leaving import units
from gaugeglass.judgement.pools import (
    Atom,
    Block,
    Compared,
    Component,
    Pool,
    PooledClaim,
    PooledHypothesis,
    PooledQuantity,
    PooledReading,
    PooledUnit,
    Scaling,
)
from gaugeglass.judgement.rankings import Ranking
from gaugeglass.language.spec import Spec
from publication import findings

DRAWS = 50


def audit(spec: Spec) -> Audit:
    """Everything of the spec left out in turn, each named in a contradiction and in a note."""
    like = findings.audit().units[2]
    claim = spec.model.claims[0].name
    found = tuple(_without(like, unit, claim) for unit in units(spec))
    names = [o.id for o in spec.evidence]
    pairs = tuple(Contradiction(first, second, 1.0, -1.0, 0.5, -2.0, 0.01) for first, second in pairwise(names))
    notes = tuple(f"draws without {unit.name} under as_stated are out of their limits" for unit in units(spec))
    priors = PriorFindings((), (), (), (), (), 0.2)
    return Audit(spec.dossier.subject, claim, 1, found, pairs, len(pairs), priors, (), notes)


def _without(like: UnitFinding, unit: Unit, claim: str) -> UnitFinding:
    surprise = replace(like.surprise, kind="tail" if len(unit.ids) == 1 else "misfit")
    tipping = like.tipping if len(unit.ids) == 1 else (replace(like.tipping[0], value=None),)
    return replace(like, unit=unit, surprise=surprise, claims=(replace(like.claims[0], claim=claim),), tipping=tipping)


def ranking(spec: Spec, *, origin: str | None) -> Ranking:
    """Candidates of one origin."""
    found = findings.ranking()
    claim = spec.model.claims[0]
    worths = tuple(replace(w, method=spec.model.methods[0].name, origin=origin) for w in found.worths)
    return replace(found, claim=claim.name, says=claim.says, quantity="volume", unit="L", worths=worths)


def calibration(spec: Spec, *, truths: Truths = "prior", failures: Sequence[str] = ()) -> Calibration:
    """A hundred simulations of a right engine, and some that failed for these reasons."""
    rng = np.random.default_rng(4)
    chances = rng.uniform(size=100)
    done = [
        {
            "hypothesis": "",
            "ranks": {name: int(rng.integers(LEVELS)) for name in spec.quantities},
            "claims": {c.name: (float(p), bool(rng.uniform() < p)) for c in spec.model.claims},
            "weights": {},
            "drawn": {"along given axes": 1},
        }
        for p in chances
    ]
    return gather(spec, [*done, *({"failed": why} for why in failures)], truths=truths, seed=1)


def pool(spec: Spec) -> Pool:
    """Draws of one hypothesis, an atom for each observation and one for each origin of a table."""
    rng = np.random.default_rng(3)
    of_tables = dict.fromkeys((row.table or "", row.origin) for t in spec.dossier.tables for row in t.rows)
    listed = [o for o in spec.evidence if o.table is None]
    atoms = (*(Atom(o.id, o.origin) for o in listed), *(Atom(name, origin) for name, origin in of_tables))
    readings = tuple(
        PooledReading(
            o.id, "Fill it and count", "L", o.stated, o.value, o.lower, None, i, None, Scaling("normal", -1.5)
        )
        for i, o in enumerate(listed)
    )
    codes = rng.integers(0, 65535, (len(atoms) + 1, DRAWS)).astype(np.uint16)
    codes[:-1, 7] = MISSING
    columns = tuple(Column(own, -4.0, 0.5, "below") for own in codes[:-1])
    return Pool(
        hypotheses=(PooledHypothesis("as_stated", "All is as stated", 1.0, -3.5, 0.01, 0, DRAWS),),
        components=(Component(0, None, DRAWS, -3.5, 0.0, anchored=True, anew=False),),
        atoms=atoms,
        units=tuple(PooledUnit(u.kind, u.name, (0,)) for u in units(spec)),
        blocks=tuple(Block((i,), {1: i}) for i in range(len(atoms))),
        readings=readings,
        quantities=(PooledQuantity("volume[T1]", "Volume of a tank", "L", len(atoms), True),),
        claims=(PooledClaim("large", "Large", 0.5, len(atoms), Compared(">", 100.0, "L"), (0.5,), (0.01,)),),
        columns=(*columns, Column(codes[-1], 90.0, 110.0, "linear")),
    )
