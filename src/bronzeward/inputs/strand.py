"""Where copper and tin may be: a round strand of rings, or a plane couple."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from math import isfinite, pi, sqrt
from typing import Any

from bronzeward.errors import InputError
from bronzeward.materials.properties import BARRIERS, load_properties
from bronzeward.units import MICROMETRE, written

MOST_ECCENTRIC = 0.9
"""Largest distance of the core from the axis, over the wall."""

SMALLEST, LARGEST = 1e-9, 1e3
"""Radii and thicknesses lie between these [m]: an atom or two, and far beyond any wire."""

NIOBIUM_BARRIER = "niobium"

LEAST_COPPER = 0.01
"""Share of copper in a ring at least [-]; with a thousandth some runs took 20,000 steps and did not end."""

BETWEEN_FILAMENTS, PARALLEL_CHANNELS = "between filaments", "parallel channels"
"""How tin and copper pass a pack: round filaments in a hexagonal array, or straight out."""

IN_CORE, BEHIND_SHELL = "core", "between shell and copper"
"""Where shrinkage opens its void; micrographs in the literature show both."""


@dataclass(frozen=True)
class Ring:
    """A ring of constant `copper_fraction` [-] from the ring inside it out to `radius` [m]."""

    radius: float
    copper_fraction: float


@dataclass(frozen=True)
class Strand:
    """Tin core, copper sleeve, filament pack, barrier.

    Attributes
    ----------
    core_radius : float, [m]
        Of the tin core; a plane couple: thickness of the tin.
    rings : tuple of Ring
        From the core outwards, the last one ends at the diffusion barrier; a plane couple has one,
        whose `radius` is the thickness of the copper.
    plane : bool
        A plane couple, per unit area.
    porosity : float, [-]
        Share of the core that drawing left empty; 0 is the cautious choice for the volume account.
    initial_eta, initial_epsilon : float, [m]
        Thickness of compound there from storage; 0 means a seed layer only.
    pack_transport : str
        How tin and copper pass a pack, "between filaments" or in "parallel channels".
    cavity_expansion : float or None, [1/K]
        Linear expansion of the cavity inside the barrier; None means copper's, the lenient end.
    """

    core_radius: float
    rings: tuple[Ring, ...]
    plane: bool = False
    porosity: float = 0.0
    initial_eta: float = 0.0
    initial_epsilon: float = 0.0
    pack_transport: str = BETWEEN_FILAMENTS
    cavity_expansion: float | None = None
    cavity_of_parts: bool = False
    """Whether the cavity expands as copper, filaments and barrier do together, not by `cavity_expansion`."""
    barrier: float = 0.0
    """Thickness of the barrier [m]; only says how the cavity of parts expands."""
    barrier_metal: str = NIOBIUM_BARRIER
    """What the barrier is made of, one of `materials.properties.BARRIERS`."""
    void_place: str = IN_CORE
    """Where shrinkage opens its void, "core" or "between shell and copper"; moves the layers' radii."""
    eccentricity: float = 0.0
    """Distance of the core from the strand's axis over the wall of the first ring [-]; thins the copper on one side."""
    film_makes_room: bool = False
    """Whether what a film from storage shrank is still void; drawing may have closed it, so no is cautious."""
    stated_ratio: float | None = field(default=None, compare=False, repr=False)
    """Cu:Sn atom ratio that the ring was computed from, where the strand was given so; `to_data` checks it."""

    def __post_init__(self) -> None:
        _size(self.core_radius, "core")
        self._check_rings()
        self._check_choices()
        if not 0.0 <= self.porosity < 1.0:
            raise InputError(f"strand: porosity {self.porosity:g}; it must be at least 0 and below 1")
        for name, value in (("eta", self.initial_eta), ("epsilon", self.initial_epsilon)):
            if not 0.0 <= value < 0.2 * self.core_radius:
                raise InputError(
                    f"strand: initial {name} of {value / MICROMETRE:g} µm; allowed are 0 to a fifth of the core"
                )

    def _check_rings(self) -> None:
        if not self.rings:
            raise InputError("strand: no copper round the core; give a sleeve or a pack")
        if self.plane and (len(self.rings) > 1 or self.rings[0].copper_fraction != 1.0):
            raise InputError("strand: a plane couple has one layer, of pure copper")
        inner = 0.0 if self.plane else self.core_radius
        for ring in self.rings:
            _size(ring.radius, "ring")
            if ring.radius <= inner:
                raise InputError(
                    f"strand: a ring ends at {2 * ring.radius / MICROMETRE:g} µm diameter, inside what it surrounds "
                    f"({2 * inner / MICROMETRE:g} µm); diameters must grow from the core outwards"
                )
            if not LEAST_COPPER <= ring.copper_fraction <= 1.0:
                raise InputError(f"strand: copper fraction {ring.copper_fraction:g}; allowed are {LEAST_COPPER:g} to 1")
            inner = ring.radius

    def _check_choices(self) -> None:
        if self.pack_transport not in (BETWEEN_FILAMENTS, PARALLEL_CHANNELS):
            raise InputError(
                f"strand: pack_transport is {self.pack_transport!r}; allowed are '{BETWEEN_FILAMENTS}' and "
                f"'{PARALLEL_CHANNELS}'"
            )
        if self.void_place not in (IN_CORE, BEHIND_SHELL):
            raise InputError(f"strand: void_place is {self.void_place!r}; allowed are '{IN_CORE}' and '{BEHIND_SHELL}'")
        if self.barrier_metal not in BARRIERS:
            raise InputError(f"strand: barrier_metal is {self.barrier_metal!r}; allowed: {', '.join(BARRIERS)}")
        if not 0.0 <= self.eccentricity <= MOST_ECCENTRIC or (self.plane and self.eccentricity):
            raise InputError(
                f"strand: eccentricity {self.eccentricity:g}; allowed are 0 to {MOST_ECCENTRIC:g} of the wall, in a "
                "plane couple 0"
            )
        if self.cavity_expansion is not None:
            _positive(self.cavity_expansion, "cavity_expansion")
            if self.cavity_expansion > 1e-4:
                raise InputError(f"strand: cavity_expansion {self.cavity_expansion:g} 1/K; allowed are up to 1e-4")
        if self.plane and (self.barrier or self.barrier_metal != NIOBIUM_BARRIER):
            raise InputError("strand: a plane couple has no barrier")
        if not 0.0 <= self.barrier <= self.barrier_radius:
            most = self.barrier_radius / MICROMETRE
            raise InputError(f"strand: barrier of {self.barrier / MICROMETRE:g} µm; allowed are 0 to {most:g}")

    @classmethod
    def round(
        cls, core_um: float, sleeve_um: float | None = None, pack: Iterable[tuple[float, float]] = (), **more: Any
    ) -> Strand:
        """A round strand from diameters [µm]; `pack` holds (outer diameter, copper fraction) pairs.

        >>> strand = Strand.round(24, 44)
        >>> round(strand.copper_tin_ratio(), 2)
        5.41
        """
        rings = [] if sleeve_um is None else [Ring(_half_um(sleeve_um, "sleeve"), 1.0)]
        rings += [Ring(_half_um(outer, "pack"), float(fraction)) for outer, fraction in pack]
        return cls(_half_um(core_um, "core"), tuple(rings), **more)

    @classmethod
    def from_ratio(cls, core_um: float, copper_tin_ratio: float, **more: Any) -> Strand:
        """A tin core [µm diameter] in as much pure copper as gives the Cu:Sn atom ratio."""
        ratio = _positive(copper_tin_ratio, "Cu:Sn ratio")
        core = _half_um(core_um, "core")
        solid = 1.0 - float(more.get("porosity", 0.0))
        volumes = _volume_ratio()
        ring = Ring(core * sqrt(1.0 + ratio * solid / volumes), 1.0)
        return cls(core, (ring,), **more, stated_ratio=ratio)

    @classmethod
    def couple(cls, tin_um: float, copper_um: float, **more: Any) -> Strand:
        """A plane couple of the given thicknesses [µm]."""
        ring = Ring(_positive(copper_um, "copper thickness") * MICROMETRE, 1.0)
        return cls(_positive(tin_um, "tin thickness") * MICROMETRE, (ring,), plane=True, **more)

    def to_data(self) -> dict[str, object]:
        """The strand with the keys of a case file, [strand] or [couple], in numbers that read back to the same."""
        always = {
            "porosity": self.porosity,
            "initial_eta_um": _micrometres(self.initial_eta),
            "initial_epsilon_um": _micrometres(self.initial_epsilon),
        }
        unusual = {
            "film_makes_room": self.film_makes_room or None,
            "void_place": self.void_place if self.void_place != IN_CORE else None,
            "cavity_expansion": "parts" if self.cavity_of_parts else self.cavity_expansion,
            "barrier_um": _micrometres(self.barrier) if self.barrier else None,
            "barrier_metal": self.barrier_metal if self.barrier_metal != NIOBIUM_BARRIER else None,
        }
        shared = {**always, **{key: value for key, value in unusual.items() if value is not None}}
        if self.plane:
            tin, copper = _micrometres(self.core_radius), _micrometres(self.rings[0].radius)
            return {"couple": {"tin_thickness_um": tin, "copper_thickness_um": copper, **shared}}
        data = {**self._diameters(), **shared}
        if self.eccentricity:
            data["eccentricity"] = self.eccentricity
        if self.pack_transport != BETWEEN_FILAMENTS:
            data["pack_transport"] = self.pack_transport
        return {"strand": data}

    def _diameters(self) -> dict[str, object]:
        """Core and copper of a round strand, with the keys of a case file."""
        core, rings = _diameter(self.core_radius), list(self.rings)
        data: dict[str, object] = {"core_diameter_um": core}
        if self.stated_ratio is not None and self._is_of_ratio(core):
            return {**data, "copper_tin_ratio": self.stated_ratio}
        if rings[0].copper_fraction == 1.0:
            data["sleeve_diameter_um"] = _diameter(rings.pop(0).radius)
        if rings:
            rows = [(_diameter(ring.radius), ring.copper_fraction) for ring in rings]
            data["pack"] = [{"outer_diameter_um": outer, "copper_fraction": share} for outer, share in rows]
        return data

    def _is_of_ratio(self, core_um: float) -> bool:
        """Whether the stated ratio still says what the rings are."""
        try:
            again = Strand.from_ratio(core_um, self.stated_ratio or 0.0, porosity=self.porosity)
        except InputError:
            return False
        return again.rings == self.rings

    @property
    def core_area(self) -> float:
        """Cross-section of the core, pores included [m2]; plane couple: thickness [m]."""
        return self.core_radius if self.plane else pi * self.core_radius**2

    @property
    def copper_area(self) -> float:
        """Cross-section of all copper inside the barrier [m2]; plane couple: thickness [m]."""
        if self.plane:
            return self.rings[0].radius
        total, inner = 0.0, self.core_radius
        for ring in self.rings:
            total += ring.copper_fraction * pi * (ring.radius**2 - inner**2)
            inner = ring.radius
        return total

    @property
    def barrier_radius(self) -> float:
        """Radius of the diffusion barrier [m]; plane couple: total thickness [m]."""
        return self.core_radius + self.rings[0].radius if self.plane else self.rings[-1].radius

    @property
    def sleeve_radius(self) -> float:
        """Outer radius of the pure copper round the core [m]; the core's own when there is none."""
        first = self.rings[0]
        return first.radius if first.copper_fraction == 1.0 and not self.plane else self.core_radius

    @property
    def niobium_areas(self) -> tuple[float, float]:
        """Cross-sections of the filaments inside the barrier, and of the barrier [m2]; plane couple: none."""
        if self.plane:
            return 0.0, 0.0
        filaments = pi * (self.barrier_radius**2 - self.core_radius**2) - self.copper_area
        return max(filaments, 0.0), pi * self.barrier * (2.0 * self.barrier_radius + self.barrier)

    @property
    def offset(self) -> float:
        """Distance of the core from the strand's axis [m]."""
        return 0.0 if self.plane else self.eccentricity * (self.rings[0].radius - self.core_radius)

    def copper_tin_ratio(self) -> float:
        """Copper atoms for each tin atom."""
        return self.copper_area / (self.core_area * (1.0 - self.porosity)) * _volume_ratio()

    def zones(self) -> list[tuple[float, float]]:
        """(outer radius [m], share that copper-tin phases may occupy) from the centre outwards."""
        return [(self.core_radius, 1.0), *((ring.radius, ring.copper_fraction) for ring in self.rings)]


def _volume_ratio() -> float:
    """Molar volume of tin over that of copper at 25 C."""
    volumes = load_properties().molar_volume
    return volumes["(Sn)"] / volumes["alpha"]


def _positive(value: object, what: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise InputError(f"strand: {what} is {value!r}; it must be a finite number")
    if value <= 0:
        raise InputError(f"strand: {what} is {value:g}; it must be above 0")
    return float(value)


def _size(value: object, what: str) -> float:
    """A radius or thickness [m] that areas can be computed from."""
    size = _positive(value, what)
    if not SMALLEST <= size <= LARGEST:
        raise InputError(f"strand: {what} of {size:g} m; allowed are {SMALLEST:g} to {LARGEST:g} m")
    return size


def _half_um(diameter: object, what: str) -> float:
    return 0.5 * _positive(diameter, f"{what} diameter") * MICROMETRE


def _diameter(radius: float) -> float:
    return written(radius, radius / (0.5 * MICROMETRE), lambda um: 0.5 * um * MICROMETRE)


def _micrometres(metres: float) -> float:
    return written(metres, metres / MICROMETRE, lambda um: um * MICROMETRE)
