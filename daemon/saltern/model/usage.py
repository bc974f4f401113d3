"""What a pump has turned: the wear of its tube is counted in hours and litres."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Usage:
    """Running time, volume and motions of one pump."""

    running_s: float = 0.0
    volume_ml: float = 0.0
    motions: int = 0

    def plus(self, seconds: float, volume_ml: float) -> "Usage":
        return Usage(self.running_s + seconds, self.volume_ml + abs(volume_ml), self.motions + 1)

    def since(self, earlier: "Usage") -> "Usage":
        return Usage(
            self.running_s - earlier.running_s, self.volume_ml - earlier.volume_ml, self.motions - earlier.motions
        )
