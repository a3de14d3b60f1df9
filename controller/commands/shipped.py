"""Where profiles and the shop file are read: the shipped profiles, the user's own, and one shop with its oil."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Final

from controller.core.limits import Limits, derive
from controller.model import Oil, Program
from controller.profiles import PARSERS, OilProfile, ProfileError, SteelProfile, heater_in_words, tank_oil
from controller.schema import nearest
from controller.settings import Shop, ShopFileError, advice, parse_shop
from controller.toml_text import MOST_CHARACTERS, Fault, shown

DEMO_SHOP: Final = "demo.toml"


@dataclass(frozen=True, slots=True)
class Library:
    """All profiles by name. `problems`: why a file of the user's was left out, one line each."""

    programs: dict[str, Program] = field(default_factory=dict)
    oils: dict[str, OilProfile] = field(default_factory=dict)
    steels: dict[str, SteelProfile] = field(default_factory=dict)
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ShopFile:
    """A sound shop file, its oil and its limits. `advice`: sentences that keep nothing from starting."""

    shop: Shop
    oil: Oil | None
    limits: Limits
    advice: tuple[str, ...]


class UnreadableError(ValueError):
    """A file that cannot be read as text; the message says why and what would be right."""


def load_shipped(data: Path | None = None, folders: Iterable[str] = tuple(PARSERS)) -> Library:
    """The shipped profiles and those in DATA/profiles, which add to them and replace none; only those `folders`.

    A fault in a shipped file is a broken promise of ours and raises; one of the user's is a line in `problems`.
    """
    library = Library()
    root = shipped_root()
    folders = tuple(folders)
    for folder in folders:
        for file in _toml_files(root / folder):
            _add(library, folder, file.read_text(encoding="utf-8"), file.name)
    problems = tuple(_add_own(library, data / "profiles", folders)) if data else ()
    return Library(library.programs, library.oils, library.steels, problems)


def shipped_root() -> Traversable:
    """The shipped profiles: package data, or the checkout's folder when the package was not installed with them."""
    try:
        return resources.files("controller.shipped_profiles")
    except ModuleNotFoundError:
        return Path(__file__).resolve().parents[2] / "profiles"


def demo_shop_text() -> str:
    """The shop file of the rehearsal."""
    return (shipped_root() / "shop" / DEMO_SHOP).read_text(encoding="utf-8")


def read_shop(path: Path, library: Library) -> ShopFile:
    """The shop of a file. Raises ShopFileError with every fault, also where the file cannot be read."""
    try:
        text = read_text(path)
    except UnreadableError as error:
        raise ShopFileError(path.name, [Fault("", None, "unreadable", str(error))]) from error
    return shop_of(text, library, name=str(path))


def shop_of(text: str, library: Library, *, name: str = "shop.toml") -> ShopFile:
    """The shop of a text, with its oil from the library and its limits. Raises ShopFileError with every fault."""
    shop = parse_shop(text, name=name, known_oils=library.oils)
    oil, told = tank_oil(shop, library.oils)
    try:
        limits = derive(shop, oil)
    except ValueError as error:
        raise ShopFileError(name, [Fault("", None, "limits", str(error))]) from error
    refusal = (limits.oil_refusal,) if limits.oil_refusal else ()
    return ShopFile(shop, oil, limits, (*advice(shop), *heater_in_words(shop, oil), *told, *refusal))


def read_text(path: Path) -> str:
    """The text of a file, never more of it than a file of ours may have. Raises UnreadableError."""
    try:
        with path.open("rb") as file:
            content = file.read(4 * MOST_CHARACTERS + 1)
    except IsADirectoryError as error:
        raise UnreadableError("This is a folder; right is a TOML file.") from error
    except FileNotFoundError as error:
        raise UnreadableError("There is no such file; `ovenhand check --new FILE` writes a first shop file.") from error
    except OSError as error:
        raise UnreadableError(f"The file cannot be read ({error.strerror}); right is a readable TOML file.") from error
    try:
        # A cut in the middle of a letter comes from our own bound: the text is too long then, and found to be.
        return content.decode("utf-8", errors="strict" if len(content) <= 4 * MOST_CHARACTERS else "replace")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise UnreadableError(f"Line {line} is not UTF-8 text; right is a plain text file saved as UTF-8.") from error


def named(name: str, known: Mapping[str, Program]) -> Program | None:
    """The program of that name; capitals, hyphens, underscores and spaces make no difference."""
    return next((program for key, program in known.items() if _plain(key) == _plain(name)), None)


def unknown(kind: str, name: str, known: Iterable[str]) -> str:
    """The sentence for a name that is not known: what was meant, or all that is."""
    names = sorted(known)
    meant = nearest(name, names)
    probably = f' Probably "{meant}" was meant.' if meant else ""
    return f"There is no {kind} {shown(name)}.{probably} The {kind}s are: {', '.join(names)}."


def _plain(name: str) -> str:
    return " ".join(name.lower().replace("-", " ").replace("_", " ").split())


def _toml_files(folder: Traversable) -> list[Traversable]:
    if not folder.is_dir():
        return []
    return sorted((file for file in folder.iterdir() if file.name.endswith(".toml")), key=lambda file: file.name)


def _add(library: Library, folder: str, text: str, name: str) -> bool:
    """Puts one profile into the library; False where its name is taken. Raises ProfileError."""
    made = PARSERS[folder](text, name=name)
    if isinstance(made, Program):
        if named(made.name, library.programs):
            return False
        library.programs[made.name] = made
    elif isinstance(made, OilProfile):
        if made.name in library.oils:
            return False
        library.oils[made.name] = made
    else:
        if made.name in library.steels:
            return False
        library.steels[made.name] = made
    return True


def _add_own(library: Library, root: Path, folders: Iterable[str]) -> Iterable[str]:
    for folder in folders:
        try:
            files = _toml_files(root / folder)
        except OSError as error:
            yield f"{root / folder}: cannot be read ({error.strerror})."
            continue
        for file in files:
            path = root / folder / file.name
            try:
                if not _add(library, folder, read_text(path), str(path)):
                    yield f"{path}: left out, because a profile of that name is there already; right is another name."
            except ProfileError as error:
                yield from error.lines()
            except UnreadableError as error:
                yield f"{path}: {error}"
