"""Where model files are: in the workspace of a dossier, else among those that come with the package."""

from __future__ import annotations

import os
import re
from pathlib import Path

from gaugeglass.language.located import Located, show
from gaugeglass.language.reading import Notes, nearest

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,80}")
_SUFFIX = ".yaml"


def workspace_of(file: str) -> Path:
    """The folder that holds the folder of a file, links resolved."""
    return Path(os.path.abspath(file)).parent.resolve().parent


def leads_out(file: str) -> bool:
    """Whether a file is a symbolic link that leads out of its workspace."""
    return not Path(file).resolve().is_relative_to(workspace_of(file))


def shipped(kind: str) -> Path:
    """The folder of the ``models`` or ``observations`` that come with the package, or with a checkout of it."""
    package = Path(__file__).resolve().parents[1]
    folder = package / "shipped" / kind
    return folder if folder.is_dir() else package.parents[1] / kind


def find_model(node: Located, dossier: str, notes: Notes) -> str | None:
    """The path of the model that a dossier names, as a user would type it; None once a fault is noted."""
    name = node.text.strip()
    if not _NAME.fullmatch(name):
        found = show(name) if node.is_scalar else node.kind
        notes.fault(node, found, "the name of a model file, without folder and suffix", _bare(name))
        return None
    own, came = _own_path(name, dossier), shipped("models") / (name + _SUFFIX)
    if os.path.lexists(own):
        return own if _stays(own, node, notes) else None
    if came.is_file():
        return str(came)
    known = _known(workspace_of(dossier) / "models")
    allowed = "a model: " + (", ".join(known) or "none is there")
    notes.fault(node, f"{show(name)}, which is not there", allowed, nearest(name, known))
    return None


def _own_path(name: str, dossier: str) -> str:
    """The path of a model in the workspace of a dossier: as it follows from what was typed, where links allow that."""
    typed = os.path.normpath(os.path.join(os.path.dirname(dossier), os.pardir, "models", name + _SUFFIX))
    real = workspace_of(dossier) / "models" / (name + _SUFFIX)
    return typed if os.path.exists(typed) and real.exists() and os.path.samefile(typed, real) else str(real)


def _bare(name: str) -> str | None:
    bare = re.split(r"[/\\]", name)[-1].removesuffix(_SUFFIX).removesuffix(".yml")
    return f"did you mean '{bare}'?" if _NAME.fullmatch(bare) and bare != name else None


def _stays(path: str, node: Located, notes: Notes) -> bool:
    if not leads_out(path):
        return True
    notes.fault(
        node, f"{show(node.text)}, whose file {path} is a link out of the workspace", "a model file in the workspace"
    )
    return False


def _known(folder: Path) -> list[str]:
    """The models of a workspace and those that come with the package, sorted."""
    found = {p.stem for place in (folder, shipped("models")) if place.is_dir() for p in place.glob("*" + _SUFFIX)}
    return sorted(found)
