"""The order in which relations follow what they rest on, priors over quantities included."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from gaugeglass.language.cycles import follow, show_circle
from gaugeglass.language.located import Located
from gaugeglass.language.reading import Section
from gaugeglass.language.spec import Hypothesis, Latent, Relation, uses


def order_relations(relations: Sequence[Relation], latents: Sequence[Latent], hypotheses: Sequence[Hypothesis],
                    top: Section) -> tuple[Relation, ...]:  # fmt: skip
    """Relations so that each follows all it rests on, as stated or under any hypothesis; a circle is noted."""
    if _is_circular(uses(relations, latents), top):
        return tuple(relations)
    used = uses(relations, latents, hypotheses)
    if _is_circular(used, top, hypotheses):
        return tuple(relations)
    by_name = {r.name: r for r in relations}
    return tuple(by_name[name] for name in follow(used)[0] if name in by_name)


def _is_circular(used: Mapping[str, Collection[str]], top: Section, hypotheses: Sequence[Hypothesis] = ()) -> bool:
    circle = follow(used)[1]
    if circle is None:
        return False
    first = min(circle, key=list(used).index)
    replacing = sorted({h.name for h in hypotheses if not set(circle).isdisjoint(_replaced(h))})
    is_of_relations = set(circle) <= set(top.at("relations").entries)
    what = "a relation" if is_of_relations else "a prior or a relation"
    by = f", where hypothesis {', '.join(replacing)} replaces {what}" if replacing else ""
    allowed = f"{'relations' if is_of_relations else 'priors and relations'} that do not lead back to themselves"
    top.notes.fault(_place(first, top), show_circle(circle, first) + by, allowed)
    return True


def _replaced(hypothesis: Hypothesis) -> set[str]:
    return {*hypothesis.relations, *(name for name, prior in hypothesis.priors.items() if prior and prior.trees)}


def _place(name: str, top: Section) -> Located:
    relations, latents = top.at("relations").entries, top.at("latents").entries
    return relations[name].entries["equals"] if name in relations else latents[name].entries["prior"]
