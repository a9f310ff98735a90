"""Options that ask what if something were otherwise."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from gaugeglass.cli.printing import warn
from gaugeglass.errors import SpecError

if TYPE_CHECKING:
    from gaugeglass.errors import Fault
    from gaugeglass.language.spec import Alternative, Spec

_ROWS = (
    ("replace", "--replace", "ID=VALUE",
     "What if this observation read otherwise. A value with ± takes the place of the u, k and tolerance that are "
     "stated; without ± they stay, as 'rounded' and the inputs always do. In braces anything of the reading is stated "
     "anew: pack-cell='{value: 190 .. 200 Wh, u: 3 Wh}' or bench-2='{u: 3 Wh}'."),
    ("without", "--without", "NAME",
     "What if this were left out: an observation, a row by its line of the file (log:17), a table, or all that an "
     "origin said."),
    ("prior_weights", "--prior-weight", "HYPOTHESIS=NUMBER", "What if this hypothesis had another prior weight."),
    ("priors", "--prior", "LATENT=PRIOR",
     "What if this latent had another prior, in braces as in a model. Hypotheses keep one of their own."),
    ("givens", "--given", "NAME=VALUE", "What if this given were another."),
)  # fmt: skip


def what_if_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that ask what if; ``asked_for`` says what was asked for."""
    for key, option, metavar, told in reversed(_ROWS):
        command = click.option(
            option, key, metavar=metavar, help=told, multiple=True, expose_value=False, callback=_keep
        )(command)
    return command


def _keep(context: click.Context, parameter: click.Parameter, value: tuple[str, ...]) -> None:
    """Put what was asked for under its key into ``context.obj``."""
    found: dict[str, str] = {}
    for written in value:
        name, sign, text = written.partition("=") if "=" in str(parameter.metavar) else (written, "=", "")
        if not sign or not name.strip():
            raise click.BadParameter(f"{written!r} is not {parameter.metavar}", context, parameter)
        if name.strip() in found:
            raise click.BadParameter(f"{name.strip()!r} is stated twice", context, parameter)
        found[name.strip()] = text.strip()
    context.ensure_object(dict)[parameter.name] = found


def asked_for(context: click.Context) -> Alternative | None:
    """What the options ask for; None where they ask for nothing."""
    stated: dict[str, Any] = context.ensure_object(dict)
    if not any(stated.values()):
        return None
    from gaugeglass.language.spec import Alternative

    return Alternative(**{**stated, "without": tuple(stated["without"])})


def altered_spec(spec: Spec, asked: Alternative) -> Spec:
    """What was read, with what is asked for; what is odd with that is said, and what changes nothing is left out of it.

    Raises
    ------
    SpecError
        If it is at fault, or changes nothing at all.
    """
    from gaugeglass.language.alternatives import check_alternative
    from gaugeglass.language.unchanged import faults_of, remaining, unchanged

    idle: tuple[Fault, ...] = ()
    checked = check_alternative(spec, asked, as_options=True)
    if checked.spec is not None:
        part = unchanged(spec, checked.spec)
        idle, left = faults_of(part, checked.spec), remaining(asked, part)
        if left.is_none:
            raise SpecError(idle)
        checked = check_alternative(spec, left, as_options=True) if idle else checked
    warn((*idle, *checked.warnings))
    if checked.spec is None:
        raise SpecError(checked.faults)
    return checked.spec
