"""Thermodynamic descriptions: where the TDB file lies, what it is called, whom it cites.

A description is a TDB file with a sidecar of the same name ending in `.toml`: title, sources
(bibliography keys), licence, sha256 of the TDB file, and the label of every phase. A user's own
TDB file may come without a sidecar; then phases are labelled by their usual names.
"""

from __future__ import annotations

import hashlib
import json
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bronzeward import files
from bronzeward.errors import InputError
from bronzeward.materials import literature

DEFAULT = "cu-sn-shim1996"

#: Usual TDB names of the phases, for files without a sidecar.
USUAL_NAMES: dict[str, str] = {
    name: label
    for label, names in {
        "liquid": "LIQUID L",
        "alpha": "FCC_A1 FCC",
        "beta": "BCC_A2 BCC",
        "gamma": "DO3 D03 BCC_DO3 BCC_D03 GAMMA",
        "delta": "CU41SN11 DELTA",
        "zeta": "CU10SN3 ZETA",
        "epsilon": "CU3SN EPSILON",
        "eta": "CU6SN5 CU6SN5_HT ETA",
        "eta_prime": "CU6SN5_L CU6SN5_LT CU6SN5_P ETA_PRIME",
        "(Sn)": "BCT_A5",
    }.items()
    for name in names.split()
}


_SIDECAR = {"title", "sources", "licence", "sha256", "validity", "phases"}
"""Keys of a sidecar; a file with none of them but a title is none."""


@dataclass(frozen=True)
class Description:
    """One thermodynamic description on disk."""

    name: str
    path: Path
    sha256: str
    references: list[str]
    labels: dict[str, str]
    title: str

    @property
    def digest(self) -> str:
        """sha256 over all that a table takes from a description, its sidecar included."""
        parts = [self.name, self.title, self.sha256, self.references, sorted(self.labels.items())]
        return hashlib.sha256(json.dumps(parts).encode()).hexdigest()

    @property
    def bundled(self) -> bool:
        """Whether it came with bronzeward."""
        return self.path.parent == folder()

    def label(self, phase: str) -> str:
        """bronzeward's label of a TDB phase; a phase it does not know keeps its name in lower case."""
        return self.labels.get(phase.upper(), phase.lower())


def folder() -> Path:
    """Where the descriptions of this installation lie."""
    return literature.folder() / "descriptions"


def names() -> list[str]:
    """Names of the descriptions that come with bronzeward."""
    return sorted(path.stem for path in folder().glob("*.tdb"))


def find(description: str | Path = DEFAULT) -> Description:
    """The description of that name, or the TDB file at that path.

    Raises InputError when neither exists, or when a bundled TDB differs from its checksum.
    """
    path = _locate(description)
    digest = hashlib.sha256(files.read_bytes(path, files.MOST_TEXT)).hexdigest()
    entry = _sidecar(path)
    stated = entry.get("sha256")
    if stated is not None and stated != digest:
        raise InputError(f"{path}: its sha256 is {digest}, not the {stated} that {path.stem}.toml states")
    labels = USUAL_NAMES | {str(key).upper(): str(label) for key, label in entry.get("phases", {}).items()}
    title = str(entry.get("title", path.name))
    return Description(path.stem, path, digest, [str(key) for key in entry.get("sources", [])], labels, title)


def _sidecar(path: Path) -> dict[str, Any]:
    """What the TOML file beside a TDB file says of it; nothing where that is a case or another file."""
    sidecar = path.with_suffix(".toml")
    entry = files.read_toml(sidecar) if files.seems_file(sidecar) else {}
    if not set(entry) & (_SIDECAR - {"title"}):
        return {}
    if unknown := sorted(set(entry) - _SIDECAR):
        raise InputError(f"{sidecar}: unknown key '{unknown[0]}'; a sidecar has {', '.join(sorted(_SIDECAR))}")
    for key, kind in (("sources", list), ("phases", dict)):
        if not isinstance(entry.get(key, kind()), kind):
            raise InputError(f"{sidecar}: {key} must be a {'table' if kind is dict else 'list'}")
    return entry


def _locate(description: str | Path) -> Path:
    if isinstance(description, str) and description in names():
        return folder() / f"{description}.tdb"
    with suppress(RuntimeError):  # an unknown user's home
        path = Path(description).expanduser()
        if files.seems_file(path):
            return files.check_source(path)
    raise InputError(
        f"no thermodynamic description {str(description)!r}: expected one of {', '.join(names())}"
        " or the path of a TDB file"
    )
