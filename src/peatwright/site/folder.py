"""A site is one folder: what was given, what was made. Making one, and opening one."""

from __future__ import annotations

import dataclasses
import hashlib
import os
import shutil
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from peatwright.model.errors import Fault, GivenError, StoreError
from peatwright.site.given import ROLES, Given
from peatwright.site.rule_sheet import RULES_FILE, template

SITE_FILE = "site.toml"
SITE_FORMAT = 1
GIVEN_FOLDER = "given"

# Files that belong to a shapefile or raster and travel with it.
SIDECARS = (
    ".shx", ".dbf", ".prj", ".cpg", ".qix", ".sbn", ".sbx", ".tfw", ".aux.xml", ".ovr", ".qmd",
)  # fmt: skip


@dataclass(frozen=True)
class SiteInfo:
    """What is said of a site on every page."""

    name: str
    invented: bool = False
    attribution: str = ""
    currency_note: str = ""


@dataclass(frozen=True)
class Site:
    """An opened site folder."""

    folder: Path
    info: SiteInfo
    given: Given
    format: int = field(default=SITE_FORMAT)


def create(folder: Path, given: Given, info: SiteInfo, *, copy: bool = True) -> Site:
    """Make a site folder from given files and return it opened.

    With `copy` the files are copied into the folder, so that it can be moved as a whole;
    otherwise the site remembers where they are. The folder appears only when all is in it.
    Raises `StoreError` when the folder is in use or cannot be written, `GivenError` when a
    file is missing.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise StoreError(
            Fault(
                str(folder), "", "a folder that already holds something", "a new or empty folder",
                "Choose another name; nothing has been changed.",
            )
        )  # fmt: skip
    missing = [
        Fault(str(path), "", "no such file or folder", f"a {role} file", "Check the path.")
        for role in ROLES
        for path in getattr(given, role)
        if not path.exists()
    ]
    if missing:
        raise GivenError(missing)
    making = folder.parent / f".{folder.name}.making-{os.getpid()}"
    try:
        making.mkdir(parents=True)
        kept = _copied(given, making) if copy else _absolute(given)
        _write_text(making / SITE_FILE, _site_toml(info, kept, making))
        _write_text(making / RULES_FILE, template())
        if folder.exists():
            folder.rmdir()
        making.replace(folder)
    except OSError as error:
        shutil.rmtree(making, ignore_errors=True)
        raise StoreError(
            Fault(
                str(folder), "", f"{error.strerror or error}", "a folder that can be written",
                "Free some space or choose another place; nothing has been left behind.",
            )
        ) from error  # fmt: skip
    except BaseException:
        shutil.rmtree(making, ignore_errors=True)
        raise
    return open_site(folder)


def _write_text(path: Path, text: str) -> None:
    with path.open("w", encoding="utf-8") as out:
        out.write(text)
        out.flush()
        os.fsync(out.fileno())


def _absolute(given: Given) -> Given:
    changed: dict[str, Any] = {
        role: tuple(p.resolve() for p in getattr(given, role)) for role in ROLES
    }
    return dataclasses.replace(given, **changed)


def _copied(given: Given, folder: Path) -> Given:
    changed: dict[str, Any] = {}
    taken: set[str] = set()
    for role in ROLES:
        paths = []
        for path in getattr(given, role):
            name = path.name
            number = 1
            while name.lower() in taken:
                number += 1
                name = f"{path.stem}-{number}{path.suffix}"
            taken.add(name.lower())
            target = folder / GIVEN_FOLDER / name
            target.parent.mkdir(exist_ok=True)
            if path.is_dir():
                shutil.copytree(path, target)
            elif path.suffix.lower() == ".vrt":
                # A VRT only points at its tiles, so it stays where they are.
                target = path.resolve()
            else:
                shutil.copy2(path, target)
                for side in SIDECARS:
                    for beside in (path.with_suffix(side), path.with_name(path.name + side)):
                        if beside.is_file() and beside != path:
                            end = beside.name.removeprefix(path.stem)
                            shutil.copy2(beside, target.with_name(target.stem + end))
            paths.append(target)
        changed[role] = tuple(paths)
    return dataclasses.replace(given, **changed)


def _site_toml(info: SiteInfo, given: Given, folder: Path) -> str:
    import tomlkit

    def said(path: Path) -> str:
        return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else str(path)

    document = tomlkit.document()
    document.add(tomlkit.comment("What this site is and which files were given for it."))
    document["format"] = SITE_FORMAT
    document["site"] = dataclasses.asdict(info)
    files = tomlkit.table()
    for role in ROLES:
        files[role] = [said(p) for p in getattr(given, role)]
    files["crs"] = given.crs
    document["given"] = files
    document["columns"] = {role: dict(names) for role, names in given.columns.items()}
    return tomlkit.dumps(document)


def open_site(folder: Path) -> Site:
    """Open a site folder; raises `StoreError` when it is none, or a newer program made it."""
    path = folder / SITE_FILE
    try:
        held = tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        raise StoreError(
            Fault(
                str(folder), SITE_FILE, "no site", "a folder made by `peatwright new`",
                "Make one with `peatwright new`, or see one with `peatwright demo`.",
            )
        ) from None  # fmt: skip
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise StoreError(
            Fault(str(folder), SITE_FILE, str(error), "a TOML file", "Mend or restore this file.")
        ) from error
    return _site(folder, held)


def _site(folder: Path, held: dict[str, Any]) -> Site:
    made_in = held.get("format")
    if not isinstance(made_in, int) or made_in > SITE_FORMAT:
        raise StoreError(
            Fault(
                str(folder), f"{SITE_FILE}, format", f"{made_in}", f"up to {SITE_FORMAT}",
                "This site was made by a newer peatwright: update the program.",
            )
        )  # fmt: skip
    try:
        files = held["given"]
        info = SiteInfo(**held["site"])
        given = Given(
            **{role: tuple((folder / p) for p in files.get(role, ())) for role in ROLES},
            crs=files.get("crs", ""),
            columns=held.get("columns", {}),
        )
    except (KeyError, TypeError) as error:
        raise StoreError(
            Fault(str(folder), SITE_FILE, f"{error}", "the keys that `peatwright new` writes",
                  "Mend or restore this file.")
        ) from error  # fmt: skip
    return Site(folder, info, given, made_in)


def given_fingerprint(given: Given) -> str:
    """Return a fingerprint of the content of all given files and of what was said about them."""
    digest = hashlib.blake2b(digest_size=16)
    columns = sorted((role, sorted(names.items())) for role, names in given.columns.items())
    digest.update(repr((given.crs, columns)).encode())
    for role in ROLES:
        for top in getattr(given, role):
            files = sorted(p for p in top.rglob("*") if p.is_file()) if top.is_dir() else [top]
            beside = [] if top.is_dir() else sorted(top.parent.glob(f"{top.stem}.*"))
            for path in dict.fromkeys([*files, *beside]):
                digest.update(f"{role}:{path.name}".encode())
                try:
                    with path.open("rb") as content:
                        while block := content.read(1 << 20):
                            digest.update(block)
                except OSError as error:
                    digest.update(str(error.strerror).encode())
    return digest.hexdigest()
