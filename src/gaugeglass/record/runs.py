"""Runs on disk: one folder a run, written whole or not at all, and read again with its digests checked.

``reports/DOSSIER/RUN/`` holds ``run.json`` (what computed it, and the digest of every other file), ``result.json``,
``posterior.nc``, ``inputs/`` (a workspace in itself), ``figures/``, ``report.html`` and, where it shows calibrations,
``calibration.json``. The digest of ``run.json`` is the digest of the run.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

from gaugeglass.errors import StoreError
from gaugeglass.judgement.results import Assessment
from gaugeglass.language.alternatives import alter, options
from gaugeglass.language.files import load
from gaugeglass.language.spec import Alternative, Spec
from gaugeglass.record import calibrations, pools, sheets, store
from gaugeglass.record.calibrations import Beside, Recorded
from gaugeglass.record.documents import (
    assessment_of,
    audit_of,
    check_format,
    dump,
    plain,
    ranking_of,
    result_document,
)
from gaugeglass.record.leaks import leaks
from gaugeglass.record.pictures import Drawn, picture_files

if TYPE_CHECKING:
    import xarray as xr

    from gaugeglass.inference.posterior import Posterior
    from gaugeglass.judgement.findings import Audit
    from gaugeglass.judgement.pools import Pool
    from gaugeglass.judgement.rankings import Ranking

RUN = "gaugeglass.run/1"
"""Name and version of the shape of ``run.json``."""

PUBLIC, ALTERNATIVE = "-public", "-alternative"
"""What the names of public forms end with, and those of alternatives before that."""
PAGE = "report.html"
_POOL = "pool.nc"
_INPUTS = "inputs/"

_SECTIONS: Mapping[str, type] = {
    "run": str, "dossier": str, "file": str, "created": str, "seed": int, "settings": dict, "note": str,
    "versions": dict, "seconds": dict, "files": dict,
}  # fmt: skip
"""What every ``run.json`` has, and of what kind."""


@dataclass(frozen=True)
class Examined:
    """What is recorded beside an assessment, as far as it was made.

    ``audit`` and ``ranking`` are documents, as the command line prints them; ``pool`` are draws that a page carries;
    ``calibrations`` are those of the same files that it shows, as ``calibrations.entry`` has them.
    """

    audit: Mapping[str, Any] | None = None
    ranking: Mapping[str, Any] | None = None
    pool: Pool | None = None
    calibrations: tuple[Mapping[str, Any], ...] = ()


NOTHING = Examined()


@dataclass(frozen=True)
class Run:
    """A recorded run. ``about`` is what its ``run.json`` holds, ``digest`` the digest of that file.

    ``audit`` and ``ranking`` are None where none was made.
    """

    folder: Path
    about: Mapping[str, Any]
    assessment: Assessment
    digest: str
    audit: Audit | None = None
    ranking: Ranking | None = None

    @property
    def name(self) -> str:
        """The run's name: when it was made, and the beginning of its draws' digest."""
        return str(self.about["run"])

    @property
    def alternative(self) -> Mapping[str, Any] | None:
        """What is otherwise than the inputs say (``changes``), and to which run that is an alternative (``of``)."""
        return self.about.get("alternative")

    def spec(self) -> Spec:
        """The inputs, read again from the run's own copies, with whatever is otherwise in an alternative."""
        dossier = self.folder / "inputs" / "observations" / PurePath(str(self.about["file"])).name
        if not dossier.is_file():
            raise StoreError(f"run {self.folder} keeps no inputs: its dossier was made in Python")
        return alter(load(dossier), **self.alternative["changes"]) if self.alternative else load(dossier)

    def draws_as_written(self) -> bytes:
        """The bytes of ``posterior.nc``."""
        return store.read(self.folder / "posterior.nc")

    def draws(self) -> tuple[dict[str, Any], dict[str, Any]]:
        """Draws of every quantity over the hypotheses before and after the evidence, by name; dims ("draw",).

        Each member stands by itself (``capacity[V1]``) where a quantity has one value a member.
        """
        import xarray as xr

        path = self.folder / "posterior.nc"
        try:
            with xr.open_datatree(path, engine="h5netcdf") as tree:
                groups = [tree[name].to_dataset() for name in ("prior", "posterior")]
                before, after = (by_member(group) for group in groups)
        except (OSError, KeyError, ValueError) as problem:
            raise StoreError(f"{path} is damaged: {problem}") from problem
        return before, after

    def pool(self) -> Pool | None:
        """The draws that the page carries for what-ifs; None where none were recorded."""
        path = self.folder / _POOL
        return pools.unpacked(path) if path.is_file() else None

    def calibrations(self) -> tuple[Recorded, ...]:
        """The calibrations that the page shows; none where none were recorded."""
        return calibrations.of_run(self.folder / calibrations.FILE)

    @property
    def has_page(self) -> bool:
        """Whether its page is there."""
        return (self.folder / PAGE).is_file()

    @property
    def page_digest(self) -> str | None:
        """The digest of the page that it was recorded with; None where it was recorded without."""
        return self.about["files"].get(PAGE)  # type: ignore[no-any-return]

    @property
    def inputs(self) -> dict[str, str]:
        """The digest of every input file by its place in the run."""
        return _inputs_of(self.about)


def about(posterior: Posterior, *, of: Run | None = None) -> dict[str, Any]:
    """What ``run.json`` says of how a posterior came about; nothing of it is private but what an alternative names.

    ``of`` is the run that an alternative is one to.
    """
    return {
        "dossier": posterior.spec.dossier.name,
        "file": Path(posterior.spec.dossier.file).name,
        "model": posterior.spec.model.name,
        "subject": posterior.spec.dossier.subject,
        "created": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "public": False,
        "alternative": _alternative(posterior.spec, {"run": of.name, "digest": of.digest} if of else None),
        "seed": posterior.seed,
        "settings": plain(posterior.settings),
        "note": posterior.note,
        "versions": plain(posterior.versions),
        "seconds": plain(posterior.seconds),
        "diagnostics": {name: plain(fit.diagnostics) for name, fit in posterior.fits.items()},
        "weighing": {
            name: plain(evidence)
            for name, evidence in zip(posterior.weights.names, posterior.weights.evidences, strict=True)
        },
    }


def _alternative(spec: Spec, of: Mapping[str, str] | None) -> dict[str, Any] | None:
    return None if spec.alternative is None else {"of": of, "changes": plain(spec.alternative)}


def public_about(run: Run, spec: Spec) -> dict[str, Any]:
    """What ``run.json`` says of the public form of a run, whose Spec in that form is ``spec``.

    An alternative is one to the public form of its parent; the digest of one that has none beside it stays unsaid.
    """
    of = run.alternative["of"] if run.alternative else None
    if of:
        beside = run.folder.with_name(f"{of['run']}{PUBLIC}")
        is_there = (beside / "run.json").is_file()
        own = {"run": beside.name, "digest": digest_of(beside / "run.json")} if is_there else None
        of = own or {"run": of["run"], "digest": None}
    return dict(run.about) | {"public": True, "alternative": _alternative(spec, of)}


def facts(about_run: Mapping[str, Any]) -> dict[str, Any]:
    """What a page says of a run, from what ``about`` says, in the order to be read."""
    settings, seconds = about_run["settings"], about_run["seconds"]
    command, told = f"assess observations/{about_run['file']}", dict[str, Any]()
    if alternative := about_run.get("alternative"):
        command = f"infer observations/{about_run['file']} {options(Alternative(**alternative['changes']))}"
        told["alternative to"] = alternative["of"] or {}
    found = {
        "command": f"gaugeglass {command} --seed {about_run['seed']} --draws {settings['draws']}",
        **told,
        "made": about_run["created"],
        "seed": about_run["seed"],
        "draws": f"{settings['chains']} chains of {settings['draws']} for each hypothesis",
        "seconds": {step: round(spent, 1) for step, spent in seconds.items()},
        "versions": about_run["versions"],
    }
    return found | ({"note": about_run["note"]} if about_run["note"] else {})


def write(
    posterior: Posterior, assessment: Assessment, pictures: Sequence[Drawn], page: str | None, folder: Path, *,
    of: Run | None = None, examined: Examined = NOTHING, told: Mapping[str, Any] | None = None,
) -> Path:  # fmt: skip
    """Record a run below a folder of reports, whole or not at all.

    Parameters
    ----------
    page
        The text of ``report.html``; None leaves the page to be made later.
    folder
        The workspace's ``reports``; made where it is not there.
    of
        The run that an alternative is one to.
    examined
        What was examined beside the verdicts.
    told
        What ``about`` says, where a page says so already; asked anew without it.

    Returns
    -------
    Path
        The run's own folder.

    Raises
    ------
    StoreError
        If it cannot be written.
    """
    files = _files(posterior.spec, assessment, pictures, page, serialise(posterior.tree), examined)
    told = told or about(posterior, of=of)
    created = datetime.datetime.fromisoformat(told["created"])
    name = f"{created:%Y%m%dT%H%M%SZ}-{store.sha256(files['posterior.nc'])[:8]}"
    name += ALTERNATIVE if told["alternative"] else ""
    return _place(files, told, name, folder / posterior.spec.dossier.name)


def write_public(
    run: Run, spec: Spec, assessment: Assessment, pictures: Sequence[Drawn], page: str, *, examined: Examined = NOTHING
) -> Path:
    """Record the public form of a run beside it; all that is handed over is redacted already.

    Raises
    ------
    StoreError
        If it cannot be written, or if a private text is still in what would be written.
    """
    files = _files(spec, assessment, pictures, page, run.draws_as_written(), examined)
    told = public_about(run, spec)
    texts = {path: sheets.unpacked(path, content) for path, content in files.items()
             if not path.endswith((".nc", ".png"))}  # fmt: skip
    texts["run.json"] = dump(told["alternative"]).decode()
    if examined.pool is not None:
        texts[_POOL] = pools.text_of(examined.pool)
    found = [path for path, _ in leaks(run.spec(), texts)]
    if found:
        raise StoreError(f"the public form was not written: private text is left in {', '.join(dict.fromkeys(found))}")
    return _place(files, told, run.name + PUBLIC, run.folder.parent)


def add_page(run: Run, pictures: Sequence[Drawn], page: str, *, shown: Sequence[Mapping[str, Any]] = ()) -> Path:
    """Give a run that has no page its pictures and its page, which goes last.

    One that was recorded with a page and lost it gets that alone, if it is the same again.

    Parameters
    ----------
    shown
        The calibrations that the page shows, as ``calibrations.entry`` has them.

    Raises
    ------
    StoreError
        If they cannot be written, or if the page that was lost comes out otherwise.
    """
    target = run.folder / PAGE
    files = picture_files(pictures) | ({calibrations.FILE: calibrations.in_run(shown)} if shown else {})
    if run.page_digest is not None:
        if store.sha256(page.encode()) != run.page_digest:
            raise StoreError(f"{target} is missing, and does not come out again as it was; assess the dossier anew")
        files = {}
    try:
        for path, content in files.items():
            store.write(run.folder / path, content)
        store.write(target.with_suffix(".partial"), page.encode())
        target.with_suffix(".partial").rename(target)
    except OSError as problem:
        raise StoreError(f"{target} could not be written: {problem.strerror}") from problem
    finally:
        target.with_suffix(".partial").unlink(missing_ok=True)
    return target


def read(folder: Path, *, without_page: bool = False) -> Run:
    """Read a run and check every file of it against its digest.

    Parameters
    ----------
    without_page
        Whether its page may be missing, which can be made from the rest.

    Raises
    ------
    StoreError
        If it is no run, is damaged or edited, or was written by a newer version.
    """
    folder = folder if folder.name not in ("", "..") else folder.resolve()  # so that it has a name and others beside it
    written = store.read(folder / "run.json")
    told = store.parse(written, folder / "run.json")
    check_format(told, RUN)
    if wrong := [key for key, kind in _SECTIONS.items() if not isinstance(told.get(key), kind)]:
        raise StoreError(f"{folder / 'run.json'} is damaged: {', '.join(wrong)} missing, or not as it is written")
    for path, digest in told["files"].items():
        is_spared = without_page and path == PAGE and not (folder / PAGE).exists()
        if not is_spared and digest_of(folder / path) != digest:
            raise StoreError(f"{folder / path} is not as it was written: its digest differs from that in run.json")
    calibrations.entries(folder / calibrations.FILE)
    result = store.parse(store.read(folder / "result.json"), folder / "result.json")
    return Run(folder, told, assessment_of(result), store.sha256(written), audit_of(result), ranking_of(result))


def listing(folder: Path, dossier: str) -> tuple[Path, ...]:
    """The folders of a dossier's runs below a folder of reports, oldest first.

    Public forms and alternatives are left out: those are shown where they are named.
    """
    return tuple(p for p in _every(folder, dossier) if ALTERNATIVE not in p.name)


def alternatives(folder: Path, dossier: str) -> tuple[Path, ...]:
    """The folders of the alternatives to a dossier's runs, oldest first; public forms are left out."""
    return tuple(p for p in _every(folder, dossier) if ALTERNATIVE in p.name)


def parent(spec: Spec, folder: Path) -> Run | None:
    """The latest run of the same files, byte for byte, that is no alternative; None where there is none.

    Raises
    ------
    StoreError
        If a run that may be the one is damaged.
    """
    found = of_same_files(input_digests(spec), folder, spec.dossier.name)
    return read(found) if found else None


def of_same_files(inputs: Mapping[str, str], folder: Path, dossier: str) -> Path | None:
    """The folder of the latest run of these inputs that is no alternative; None where there is none.

    Parameters
    ----------
    inputs
        The digest of every input file by its place in a run.
    folder
        The folder of reports.

    Raises
    ------
    StoreError
        If the ``run.json`` of a run that may be the one is damaged.
    """
    for place in reversed(listing(folder, dossier) if inputs else ()):
        if inputs == _inputs_of(store.parse(store.read(place / "run.json"), place / "run.json")):
            return place
    return None


def input_digests(spec: Spec) -> dict[str, str]:
    """The digest of every input file as it was read, by its place in a run; none of what was made in Python."""
    return {path: store.sha256(content) for path, content in _inputs(spec).items()}


def calibrations_of(spec: Spec, folder: Path) -> Beside:
    """The calibrations of a dossier in a folder of reports, held against its files; none of an alternative.

    Raises
    ------
    StoreError
        If their folder cannot be read.
    """
    return Beside() if spec.alternative else calibrations.beside(folder / spec.dossier.name, input_digests(spec))


def calibrations_beside(run: Run) -> Beside:
    """Those that are recorded beside a run, held against its input files; none of an alternative.

    Raises
    ------
    StoreError
        If their folder cannot be read.
    """
    return Beside() if run.alternative else calibrations.beside(run.folder.parent, run.inputs)


def _inputs_of(about_run: Mapping[str, Any]) -> dict[str, str]:
    return {path: digest for path, digest in about_run.get("files", {}).items() if path.startswith(_INPUTS)}


def in_time(run: Path) -> tuple[str, int, str]:
    """What sorts folders of runs by when they were made: their names, and within a second when they were written."""
    try:
        written = (run / "run.json").stat().st_mtime_ns
    except OSError:
        written = 0
    return run.name.partition("-")[0], written, run.name


def _every(folder: Path, dossier: str) -> tuple[Path, ...]:
    place = folder / dossier
    try:
        found = [p for p in place.iterdir() if (p / "run.json").is_file()] if place.is_dir() else []
    except OSError as problem:
        raise StoreError(f"{place} cannot be read: {problem.strerror}") from problem
    kept = [p for p in found if PUBLIC not in p.name and not p.name.startswith(store.HIDDEN)]
    return tuple(sorted(kept, key=in_time))


def serialise(tree: xr.DataTree) -> bytes:
    """The draws as the bytes of a netCDF file, with a checksum on every block.

    In memory first: a disk that fills up while the library writes would take the process with it.
    """
    checked = {"fletcher32": True, "zlib": True, "complevel": 1, "shuffle": True}
    encoding = {node.path: dict.fromkeys(node.data_vars, checked) for node in tree.subtree if node.data_vars}
    return bytes(tree.to_netcdf(engine="h5netcdf", encoding=encoding))


def _files(
    spec: Spec, assessment: Assessment, pictures: Sequence[Drawn], page: str | None, draws: bytes, examined: Examined
) -> dict[str, bytes]:
    """Every file of a run but ``run.json``, by its path in the run."""
    names = {"dossier": spec.dossier.name, "model": spec.model.name}
    result = result_document(assessment, **names, audit=examined.audit, ranking=examined.ranking)
    found = {"result.json": dump(result), "posterior.nc": draws}
    if examined.pool is not None:
        found[_POOL] = serialise(pools.packed(examined.pool))
    if examined.calibrations:
        found[calibrations.FILE] = calibrations.in_run(examined.calibrations)
    if page is not None:
        found[PAGE] = page.encode()
    return found | picture_files(pictures) | _inputs(spec)


def _inputs(spec: Spec) -> dict[str, bytes]:
    """The input files as they were read, by their paths in the run."""
    places = {_place_of(file, spec): text for file, text in spec.texts.items()}
    return {path: sheets.packed(path, text) for path, text in places.items()}


def _place_of(file: str, spec: Spec) -> str:
    """Where an input goes: tables stand as to the dossier or the model that names them, and never anywhere else."""
    of_dossier = {spec.dossier.file, *(str(_beside(spec.dossier.file) / t.file.strip()) for t in spec.dossier.tables)}
    kind, owner = ("observations", spec.dossier.file) if file in of_dossier else ("models", spec.model.file)
    path, folder = PurePath(file), _beside(owner)
    inside = path.relative_to(folder) if path.is_relative_to(folder) else PurePath(path.name)
    if ".." in inside.parts:
        inside = PurePath(path.name)
    return f"{_INPUTS}{kind}/{inside.as_posix()}"


def _beside(file: str) -> PurePath:
    return PurePath(file).parent


def by_member(group: xr.Dataset) -> dict[str, Any]:
    """Draws of every quantity, each member by itself, dims ("draw",)."""
    found = {}
    for name, values in group.data_vars.items():
        of_members = [str(dim) for dim in values.dims if dim not in ("chain", "draw")]
        if not of_members:
            found[str(name)] = values.to_numpy().ravel()
            continue
        for member in values[of_members[0]].to_numpy():
            found[f"{name}[{member}]"] = values.sel({of_members[0]: member}).to_numpy().ravel()
    return found


def _place(files: Mapping[str, bytes], told: Mapping[str, Any], name: str, folder: Path) -> Path:
    digests = {path: store.sha256(content) for path, content in sorted(files.items())}

    def record(run: str) -> dict[str, bytes]:
        return {"run.json": dump({"format": RUN, "run": run, **told, "files": digests})}

    return store.place(files, name, folder, what="run", last=record)


def digest_of(path: Path) -> str:
    """The SHA-256 of a file."""
    return store.sha256(store.read(path))
