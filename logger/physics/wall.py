"""Heat through a pot's wall: a plane wall heated and cooled from its faces, in time.

A pot's wall is thin next to the pot, so heat goes straight through it [1]_. What the clay feels is not the
rate of a reading but the difference between its surface and its inside: `Profile` tells that difference,
the steepest gradient and the stress a free plate would have [2]_.

References
----------
.. [1] F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, Wiley, chapter 5 (plane wall
   with convection, semi-infinite solid, implicit finite differences).
.. [2] B. A. Boley and J. H. Weiner, Theory of Thermal Stresses, Wiley 1960 (free plate with a temperature
   that varies through its thickness). From memory.
.. [3] H. S. Carslaw and J. C. Jaeger, Conduction of Heat in Solids, Oxford 1959.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from logger.physics.infrared import KELVIN, STEFAN_BOLTZMANN
from logger.reading import Floats


@dataclass(frozen=True, slots=True)
class Wall:
    """A wall's make. Defaults are those of a low-fired, porous earthenware.

    Attributes
    ----------
    thickness_mm : float, default 7
        Open-fired pots have 4 to 10 (common practice, no source). [mm]
    diffusivity_mm2_s : float, default 0.5
        Fired clay, 0.4 to 0.6 (from memory). [mm²/s]
    heat_capacity_mj_m3k : float, default 1.8
        Density times specific heat, about 1.8 g/cm³ × 1.0 kJ/(kg K) (from memory). [MJ/(m³ K)]
    emissivity : float, default 0.92
        0.90 to 0.95 for fired clay (from memory).
    """

    thickness_mm: float = 7.0
    diffusivity_mm2_s: float = 0.5
    heat_capacity_mj_m3k: float = 1.8
    emissivity: float = 0.92

    def __post_init__(self) -> None:
        for name in ("thickness_mm", "diffusivity_mm2_s", "heat_capacity_mj_m3k", "emissivity"):
            value = getattr(self, name)
            if not 0 < value < np.inf:
                raise ValueError(f"{name} is {value!r}; give a number above 0")

    @property
    def conductivity_w_mk(self) -> float:
        """Heat conducted. [W/(m K)]."""
        return self.diffusivity_mm2_s * self.heat_capacity_mj_m3k

    @property
    def areal_capacity_j_m2k(self) -> float:
        """Heat to warm a square metre of it by one degree. [J/(m² K)]."""
        return self.thickness_mm * 1e3 * self.heat_capacity_mj_m3k

    @property
    def diffusion_s(self) -> float:
        """Thickness squared over diffusivity. [s]."""
        return self.thickness_mm**2 / self.diffusivity_mm2_s


@dataclass(frozen=True, slots=True)
class Face:
    """What one face of the wall meets; numbers or arrays of one entry a zone.

    Attributes
    ----------
    gas_c : float or array
        [°C]
    film_w_m2k : float or array
        Convection coefficient. [W/(m² K)]
    glow_c : float or array
        Temperature of the black surroundings with which the face exchanges radiation. [°C]
    view : float or array, default 0
        Share of the face's view that these surroundings fill; 0 leaves radiation out. What fills the rest is
        taken to be as hot as the face.
    """

    gas_c: float | Floats = 20.0
    film_w_m2k: float | Floats = 0.0
    glow_c: float | Floats = 20.0
    view: float | Floats = 0.0


INSULATED: Final = Face()
"""No heat through it: the middle of a wall heated alike from both sides, or a closed pot's inside."""


def step(temperature_c: Floats, dt_s: float, wall: Wall, outside: Face, inside: Face = INSULATED) -> Floats:
    """Carry the temperatures through the wall on by one step of time.

    Parameters
    ----------
    temperature_c : array, shape (..., m)
        At m >= 2 points evenly spaced from the outer face to the inner; leading axes are zones. [°C]
    dt_s : float
        Above 0. [s]
    wall : Wall
    outside, inside : Face
        Held through the step.

    Returns
    -------
    array, shape (..., m)
        At the end of the step. [°C]

    Raises
    ------
    ValueError
        Fewer than two points, or a step that is not above 0.

    Notes
    -----
    Implicit (backward) differences [1]_: a matrix with a heavy diagonal at any step, so nothing rings or
    blows up, and no point leaves the span of the start and the surroundings; the error falls with the step.
    Radiation enters as a conductance ``εσ(Tg² + Ts²)(Tg + Ts)``, found three times over within the step.
    """
    start = np.asarray(temperature_c, dtype=np.float64)
    points = start.shape[-1] if start.ndim else 0
    if points < 2:
        raise ValueError(f"{points} points through the wall; give at least 2")
    if not dt_s > 0:
        raise ValueError(f"a step of {dt_s!r} s; give one above 0")
    spacing_m = wall.thickness_mm / 1e3 / (points - 1)
    # Faces have half a cell.
    cell = np.full(points, wall.heat_capacity_mj_m3k * 1e6 * spacing_m / dt_s)
    cell[[0, -1]] /= 2
    link = wall.conductivity_w_mk / spacing_m
    end = start
    radiates = any(np.any(np.asarray(face.view) > 0) for face in (outside, inside))
    for _ in range(3 if radiates else 1):
        diagonal = np.broadcast_to(cell + 2 * link, start.shape).copy()
        diagonal[..., [0, -1]] -= link
        right = start * cell
        for at, face in ((0, outside), (-1, inside)):
            glow = np.asarray(face.glow_c) + KELVIN
            surface = end[..., at] + KELVIN
            shine = wall.emissivity * STEFAN_BOLTZMANN * np.asarray(face.view)
            shine = shine * (glow**2 + surface**2) * (glow + surface)
            diagonal[..., at] += face.film_w_m2k + shine
            right[..., at] += np.asarray(face.film_w_m2k) * face.gas_c + shine * face.glow_c
        end = _thomas(diagonal, -link, right)
    return end


def march(
    t_s: Floats, outside: Face, wall: Wall, start_c: ArrayLike, *, inside: Face = INSULATED, points: int = 7
) -> Floats:
    """Temperatures through the walls while their surroundings change.

    Parameters
    ----------
    t_s : array, shape (n,)
        Ascending. [s]
    outside : Face
        Each field a number or an array that broadcasts to (n, z): what holds at each instant.
    wall : Wall
    start_c : array-like, shape (z,)
        Throughout each wall at the first instant. [°C]
    inside : Face, default insulated
    points : int, default 7
        Through the wall.

    Returns
    -------
    array, shape (n, z, points)
        [°C]

    Raises
    ------
    ValueError
        Times do not ascend, or fewer than two points.
    """
    first = np.atleast_1d(np.asarray(start_c, dtype=np.float64))
    n, zones = len(t_s), len(first)
    out = np.empty((n, zones, points))
    out[0] = first[:, None]
    fields = [
        [np.broadcast_to(np.asarray(value, dtype=np.float64), (n, zones)) for value in _values(face)]
        for face in (outside, inside)
    ]
    for i in range(1, n):
        now = [Face(*(field[i] for field in face)) for face in fields]
        out[i] = step(out[i - 1], float(t_s[i] - t_s[i - 1]), wall, *now)
    return out


@dataclass(frozen=True, slots=True)
class Profile:
    """What the temperatures through a wall mean for it; arrays of the leading shape.

    Attributes
    ----------
    mean_c : array
        Through the thickness. [°C]
    inside_lag_c : array
        Outer face less inner face. [°C]
    steepest_c_mm : array
        Greatest gradient anywhere, without sign. [°C/mm]
    surface_strain_c : array
        Mean less outer face: above zero the surface is colder than the wall and pulled (cooling), below zero
        it is pressed (heating). Clay is weak in pull. [°C]
    """

    mean_c: Floats
    inside_lag_c: Floats
    steepest_c_mm: Floats
    surface_strain_c: Floats

    def surface_stress_mpa(
        self, *, youngs_gpa: float = 10.0, expansion_ppm_k: float = 6.0, poisson: float = 0.2
    ) -> Floats:
        """Stress in the outer face of a plate that is free to stretch but not to bend.

        Parameters
        ----------
        youngs_gpa : float, default 10
            Low-fired earthenware, some 5 to 20 (from memory: measure the clay in hand). [GPa]
        expansion_ppm_k : float, default 6
            Away from the quartz inversion. [10⁻⁶/K]
        poisson : float, default 0.2

        Returns
        -------
        array
            Above zero in tension. [MPa]

        Notes
        -----
        ``σ = E α (T_mean - T_surface) / (1 - ν)`` [2]_: an elastic estimate, to compare
        one firing with another.
        """
        per_c = youngs_gpa * 1e3 * expansion_ppm_k * 1e-6 / (1 - poisson)
        return per_c * self.surface_strain_c


def profile(temperature_c: Floats, wall: Wall) -> Profile:
    """Work out what the temperatures through a wall mean for it.

    Parameters
    ----------
    temperature_c : array, shape (..., m)
        From the outer face to the inner. [°C]
    wall : Wall

    Returns
    -------
    Profile
    """
    t = np.asarray(temperature_c, dtype=np.float64)
    mean = (t.sum(axis=-1) - 0.5 * (t[..., 0] + t[..., -1])) / (t.shape[-1] - 1)
    spacing_mm = wall.thickness_mm / (t.shape[-1] - 1)
    return Profile(
        mean_c=mean,
        inside_lag_c=t[..., 0] - t[..., -1],
        steepest_c_mm=np.abs(np.diff(t, axis=-1)).max(axis=-1) / spacing_mm,
        surface_strain_c=mean - t[..., 0],
    )


def steady_lag_c(rate_c_min: ArrayLike, wall: Wall) -> Floats:
    """How far the inner face trails the outer when the wall warms steadily from outside.

    Parameters
    ----------
    rate_c_min : array-like
        [°C/min]
    wall : Wall

    Returns
    -------
    array
        [°C]

    Notes
    -----
    ``r L² / (2 a)`` for an insulated inner face, once the start is forgotten (after some L²/(2 a)) [3]_. The
    surface is ``r L² / (3 a)`` from the mean.

    Examples
    --------
    A 7 mm wall at 60 °C a minute:

    >>> round(float(steady_lag_c(60.0, Wall())), 1)
    49.0
    """
    return np.asarray(rate_c_min, dtype=np.float64) / 60.0 * wall.diffusion_s / 2


def _values(face: Face) -> tuple[float | Floats, ...]:
    return face.gas_c, face.film_w_m2k, face.glow_c, face.view


def _thomas(diagonal: Floats, off: float, right: Floats) -> Floats:
    """Solve tridiagonal systems with one off-diagonal value; the last axis is the system."""
    points = right.shape[-1]
    upper = np.empty_like(right)
    x = np.empty_like(right)
    upper[..., 0] = off / diagonal[..., 0]
    x[..., 0] = right[..., 0] / diagonal[..., 0]
    for i in range(1, points):
        pivot = diagonal[..., i] - off * upper[..., i - 1]
        upper[..., i] = off / pivot
        x[..., i] = (right[..., i] - off * x[..., i - 1]) / pivot
    for i in range(points - 2, -1, -1):
        x[..., i] -= upper[..., i] * x[..., i + 1]
    return x
