"""Numbers in Modbus registers: types, and which word comes first."""

import struct
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

Form = Literal["int16", "uint16", "int32", "uint32", "float32"]
WordOrder = Literal["high-first", "low-first"]
FORMS: dict[str, str] = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}


class Register(BaseModel):
    """Where a whole number stands."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    address: int = Field(ge=0, le=65535, description="of its first register, counted from 0")
    kind: Literal["input", "holding"] = "holding"
    type: Literal["uint16", "int32", "uint32"] = "uint16"
    word_order: WordOrder = "high-first"

    @property
    def count(self) -> int:
        return words_of(self.type)

    @property
    def most(self) -> int:
        """The largest number that it holds."""
        return 0x7FFFFFFF if self.type == "int32" else (1 << 16 * self.count) - 1

    def number(self, words: list[int]) -> int:
        return int(decoded(words, self.type, self.word_order))

    def words(self, number: int) -> list[int]:
        raw = struct.pack(FORMS[self.type], number)
        words = [int.from_bytes(raw[at : at + 2], "big") for at in range(0, len(raw), 2)]
        return words if self.word_order == "high-first" else words[::-1]


def words_of(form: Form) -> int:
    """Return how many registers a number of this type fills."""
    return struct.calcsize(FORMS[form]) // 2


def decoded(words: list[int], form: Form, order: WordOrder) -> float:
    """Return the number that these registers hold; there must be as many as the type fills."""
    ordered = words if order == "high-first" else words[::-1]
    (raw,) = struct.unpack(FORMS[form], b"".join(word.to_bytes(2, "big") for word in ordered))
    return float(raw)
