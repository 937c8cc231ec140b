"""What all tables of the config file share: the base class, types of fields, reading TOML, and the
text of its errors."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from moontrim.errors import InputError


def whole_hertz(value: Any) -> Any:
    """Returns a float that is whole hertz as int, other values unchanged: people write 144.12e6,
    which TOML takes for a float. Raises ValueError for a fraction."""
    if not isinstance(value, float):
        return value
    if not value.is_integer():
        raise ValueError("must be whole hertz such as 144_120_000")
    return int(value)


Hertz = Annotated[int, Field(gt=0, lt=10**12), BeforeValidator(whole_hertz)]


def _no_nul(path: Path) -> Path:
    if "\0" in str(path):
        raise ValueError("a path has no NUL in it")
    return path


FilePath = Annotated[Path, AfterValidator(_no_nul)]


class Table(BaseModel):
    """One table of the file: immutable, strict about types, and without unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


def read_toml(path: Path, field: str) -> dict[str, Any]:
    """Returns the content of a TOML file as plain values. Raises InputError naming `field`."""
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))  # Notepad puts a mark first
    except FileNotFoundError:
        raise InputError(field, str(path), "a TOML file that exists") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(field, str(path), f"a readable UTF-8 TOML file ({error})") from None
    except RecursionError:
        raise InputError(field, str(path), "valid TOML (nested too deeply)") from None
    except ValueError as error:  # TOMLDecodeError is one; so is a number of too many digits
        raise InputError(field, str(path), f"valid TOML ({error})") from None


def problems(error: ValidationError, prefix: str = "") -> list[str]:
    """Returns one phrase for each problem, with key, reason and value.

    prefix: put before each key."""
    lines = []
    errors = error.errors(include_url=False)
    for problem in errors:
        at = problem["loc"]
        if problem["type"] == "too_short" and any(
            len(other["loc"]) > len(at) and other["loc"][: len(at)] == at for other in errors
        ):
            continue  # it has too few elements only because those with problems are not counted
        where = ".".join(str(part) for part in ((prefix,) if prefix else ()) + at)
        message = problem["msg"].removeprefix("Value error, ")
        if problem["type"] == "extra_forbidden":
            message = "unknown key"
        elif problem["type"] == "model_type":
            message = "must be a table"
        shown = problem["input"]
        # The value of an unknown key may be a password.
        hidden = message == "unknown key" or isinstance(shown, dict | list | tuple | BaseModel)
        value = "" if hidden else f" (given: {shown!r})"
        lines.append(f"{where}: {message}{value}" if where else message)
    return lines
