"""A liquid as amounts that mixing conserves.

Salinities are practical; `natural` salt brings borate, sulfate and fluoride with it, `ionic` is what the ions
amount to as seawater (natural salt, and the NaCl of a titrant), `own` is that part of the natural salt that is the
tank's, with whatever its water has beside.
"""

from dataclasses import dataclass


@dataclass(slots=True)
class Liquid:
    """Some liquid: mass in g, and contents as mass times concentration."""

    mass_g: float = 0.0
    natural: float = 0.0  # g x practical salinity
    ionic: float = 0.0  # g x practical salinity
    alkalinity: float = 0.0  # g x umol/kg; acid counts negative
    carbon: float = 0.0  # g x umol/kg
    own: float = 0.0  # g x practical salinity

    def share(self, mass_g: float) -> "Liquid":
        """Return `mass_g` of this liquid, composed as it is; the liquid itself is left as it is."""
        f = mass_g / self.mass_g if self.mass_g > 0.0 else 0.0
        return Liquid(mass_g, self.natural * f, self.ionic * f, self.alkalinity * f, self.carbon * f, self.own * f)

    def take(self, mass_g: float) -> "Liquid":
        """Remove and return up to `mass_g`."""
        part = self.share(min(mass_g, self.mass_g))
        self.lose(part)
        return part

    def lose(self, part: "Liquid") -> None:
        """Remove a part of it."""
        self.mass_g -= part.mass_g
        self.natural -= part.natural
        self.ionic -= part.ionic
        self.alkalinity -= part.alkalinity
        self.carbon -= part.carbon
        self.own -= part.own

    def pour_in(self, other: "Liquid") -> None:
        self.mass_g += other.mass_g
        self.natural += other.natural
        self.ionic += other.ionic
        self.alkalinity += other.alkalinity
        self.carbon += other.carbon
        self.own += other.own
