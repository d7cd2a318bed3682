"""Which dialects there are: the shipped ones, a user's file, and what other packages bring."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from importlib import metadata, resources
from pathlib import Path

from noonmark.driver.config import ConfigError
from noonmark.protocols.dialect import USUAL, Dialect, DialectError, parse_dialect

ENTRY_POINTS = "noonmark.dialects"
AUTO = "auto"


def shipped() -> dict[str, Dialect]:
    """Name to dialect, of everything that comes with this package, sorted."""
    found = {USUAL.name: USUAL}
    folder = resources.files("noonmark.protocols").joinpath("dialects")
    if folder.is_dir():
        for entry in sorted(folder.iterdir(), key=lambda one: one.name):
            if entry.name.endswith(".toml"):
                dialect = parse_dialect(entry.read_text("utf-8"), entry.name)
                found[dialect.name] = dialect
    return dict(sorted(found.items()))


def contributed() -> dict[str, Dialect]:
    """What other packages add by the entry point group `noonmark.dialects`, of what can be loaded: see `troubles`."""
    return {name: found for name, found in _tried() if isinstance(found, Dialect)}


def troubles() -> list[str]:
    """What is wrong with those that other packages add and that can't be loaded, one sentence each."""
    return [str(found) for _, found in _tried() if isinstance(found, DialectError)]


def _tried() -> Iterator[tuple[str, Dialect | DialectError]]:
    for point in metadata.entry_points(group=ENTRY_POINTS):
        try:
            yield point.name, _load(point)
        except DialectError as error:
            yield point.name, error


def _load(point: metadata.EntryPoint) -> Dialect:
    """A dialect of another package: a Dialect, or TOML text. Raises DialectError, whatever that package does."""
    where = f"entry point {point.name} of {ENTRY_POINTS}" + (f" in {point.dist.name}" if point.dist else "")
    try:
        value = point.load()
    except Exception as error:  # code of others can raise anything
        raise DialectError(f"{where}: {point.value} can't be loaded: {type(error).__name__}: {error}") from None
    if isinstance(value, Dialect):
        return value
    if isinstance(value, str):
        return parse_dialect(value, where)
    raise DialectError(f"{where}: expected a Dialect or TOML text, not {type(value).__name__}")


def known() -> dict[str, Dialect]:
    """Every dialect that goes by a name; a shipped one is never replaced by a contributed one."""
    return {**contributed(), **shipped()}


def resolve(name: str, folder: Path | None = None) -> Dialect:
    """A dialect by name, or from a TOML file (a path has a separator or ends in .toml). Raises ConfigError."""
    if name == USUAL.name:
        return USUAL
    try:
        if "/" in name or name.endswith(".toml"):
            path = Path(name).expanduser()
            if not path.is_absolute() and folder is not None:
                path = folder / path
            return parse_dialect(path.read_text("utf-8"), str(path))
        found = shipped()
        if name not in found:  # what other packages bring, or break, is no concern of a shipped one
            found |= {point.name: _load(point) for point in metadata.entry_points(group=ENTRY_POINTS, name=name)}
    except (OSError, RuntimeError) as error:  # RuntimeError: the home of a user that does not exist
        why = error.strerror if isinstance(error, OSError) else error
        raise ConfigError(
            f"dialect {name}: can't be read: {why}", code="dialect-absent", remedy="list them with: noonmark dialects"
        ) from None
    except UnicodeDecodeError:
        raise ConfigError(f"dialect {name}: is not UTF-8", code="dialect-wrong", remedy="save it as UTF-8") from None
    except DialectError as error:
        raise ConfigError(str(error), code="dialect-wrong", remedy="see: noonmark dialects usual") from None
    if name in found:
        return found[name]
    near = difflib.get_close_matches(name.lower(), [*known(), AUTO], n=1, cutoff=0.0)
    raise ConfigError(
        f"unknown dialect {name!r}; the nearest known is {near[0]!r}",
        code="dialect-absent",
        remedy="list them with: noonmark dialects",
    )
