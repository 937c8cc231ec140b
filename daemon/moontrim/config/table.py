"""What all tables of the config file share: the base class, types of fields, and reading TOML."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
)
from pydantic_core import CoreSchema
from pydantic_core.core_schema import no_info_after_validator_function

from moontrim.config.mistakes import Expected
from moontrim.errors import InputError, not_found, reason_of


def whole_hertz(value: Any) -> Any:
    """Returns a float that is whole hertz as int, other values unchanged: people write 144.12e6,
    which TOML takes for a float. Raises Expected for a fraction."""
    if not isinstance(value, float):
        return value
    if not value.is_integer():
        raise Expected("whole hertz such as 144_120_000")
    return int(value)


Hertz = Annotated[int, Field(gt=0, lt=10**12), BeforeValidator(whole_hertz)]


def _no_nul(path: Path) -> Path:
    if "\0" in str(path):
        raise Expected("a path without NUL characters")
    return path


@dataclass(frozen=True, slots=True)
class Matching:
    """Annotates a text that a regular expression must match as a whole.

    expected: what that stands for, for the message."""

    pattern: str
    expected: str

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return no_info_after_validator_function(self._check, handler(source))

    def __get_pydantic_json_schema__(
        self, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return handler(core_schema) | {"pattern": f"^{self.pattern}$"}

    def _check(self, value: str) -> str:
        if re.fullmatch(self.pattern, value) is None:
            raise Expected(self.expected)
        return value


FilePath = Annotated[Path, AfterValidator(_no_nul)]


class Table(BaseModel):
    """One table of the file: immutable, strict about types, and without unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


def read_toml(path: Path, field: str) -> dict[str, Any]:
    """Returns the content of a TOML file as plain values. Raises InputError naming `field`."""
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))  # Notepad puts a mark first
    except FileNotFoundError:
        raise not_found(field, path) from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            field, str(path), problem=f"cannot read {path} ({reason_of(error)})"
        ) from None
    except RecursionError:
        raise InputError(field, str(path), problem=f"{path}: nested too deeply") from None
    except ValueError as error:  # TOMLDecodeError is one; so is a number of too many digits
        raise InputError(field, str(path), problem=f"{path}: invalid TOML: {error}") from None
