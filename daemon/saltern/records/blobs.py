"""Curves and raw readings as blobs.

Both begin with one byte of format version. A curve follows with six float64 columns, little-endian, one after the
other: titrant_g, emf_mv, temperature_c, time_s, emf_sd_mv, dose_sd_g; a column that a curve does not have is all NaN.
Readings follow as zlib-compressed JSON lines of [at_s, probe, value, unit, phase].
"""

import json
import zlib
from collections.abc import Sequence
from functools import cached_property
from typing import overload

import numpy as np

from saltern.chemistry.endpoint.curve import Curve, FloatArray
from saltern.errors import StorageError
from saltern.model.determination import Sighting

FORMAT = 1
COLUMNS = ("titrant_g", "emf_mv", "temperature_c", "time_s", "emf_sd_mv", "dose_sd_g")


def pack_curve(curve: Curve) -> bytes:
    count = len(curve.titrant_g)
    columns = [getattr(curve, name) for name in COLUMNS]
    table = np.array([np.full(count, np.nan) if column is None else column for column in columns], dtype="<f8")
    return bytes([FORMAT]) + table.tobytes()


def unpack_curve(blob: bytes) -> Curve:
    """Return the curve in a blob.

    Raises
    ------
    StorageError
        The blob is of a format that this version does not know, or is cut short.
    """
    body = _body(blob)
    if len(body) % (8 * len(COLUMNS)):
        raise StorageError("a curve is cut short", where="records", remedy="Restore from a backup")
    table = np.frombuffer(body, dtype="<f8").reshape(len(COLUMNS), -1)

    def column(index: int) -> FloatArray | None:
        values = np.array(table[index])
        return None if len(values) and np.all(np.isnan(values)) else values

    return Curve(np.array(table[0]), np.array(table[1]), np.array(table[2]), column(3), column(4), column(5))


def pack_readings(readings: Sequence[Sighting]) -> bytes:
    lines = "\n".join(json.dumps([r.at_s, r.probe, r.value, r.unit, r.phase]) for r in readings)
    return bytes([FORMAT]) + zlib.compress(lines.encode())


class _Packed(Sequence[Sighting]):
    """Readings that are still text: of a hundred determinations that are read for their results nobody looks at them.

    The text is what was packed, by zlib's own checksum.
    """

    def __init__(self, text: str) -> None:
        self._text = text

    @cached_property
    def _all(self) -> tuple[Sighting, ...]:
        return tuple(Sighting(*said) for said in json.loads(f"[{','.join(self._text.splitlines())}]"))

    @overload
    def __getitem__(self, index: int) -> Sighting: ...

    @overload
    def __getitem__(self, index: slice) -> Sequence[Sighting]: ...

    def __getitem__(self, index: int | slice) -> Sighting | Sequence[Sighting]:
        return self._all[index]

    def __len__(self) -> int:
        return len(self._all)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and self._all == tuple(other)

    def __hash__(self) -> int:
        return hash(self._all)


def unpack_readings(blob: bytes) -> Sequence[Sighting]:
    """Return the readings in a blob; see `unpack_curve` for errors."""
    return _Packed(zlib.decompress(_body(blob)).decode())


def _body(blob: bytes) -> bytes:
    if not blob or blob[0] != FORMAT:
        raise StorageError(
            f"a blob of format {blob[0] if blob else 'none'} cannot be read by this version",
            where="records",
            remedy="Use the Saltern that wrote it, or a newer one",
        )
    return blob[1:]
