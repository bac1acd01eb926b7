"""Compiled equations of motion in Cartesian coordinates, and their integration to rounding.

Units: km, s, radians. Frame: true equator and equinox of the study epoch, treated as inertial; time counts from the
epoch. A state is ``[x, y, z, vx, vy, vz]``; ``properties`` are drag coefficient and reflectivity coefficient times
area-to-mass ratio [m2 kg-1]. Nothing here is averaged or linearised; the tables of air, flux, Sun and Moon are those of
the mean motion.

References
----------
.. [1] S. Pines, Uniform representation of the gravitational potential and its derivatives, AIAA Journal 11, 1508, 1973
   (from memory): harmonics without a singularity at the poles.
.. [2] R. H. Battin, An Introduction to the Mathematics and Methods of Astrodynamics, 1999, section 8.4: the
   acceleration by a third body without cancellation (section from memory).
.. [3] B. R. Bowring, The accuracy of geodetic latitude and height equations, Survey Review 28, 202, 1985 (from memory).
.. [4] E. Hairer, S. P. Norsett, G. Wanner, Solving Ordinary Differential Equations I, 2nd ed. 1993, sections II.5 and
   II.6: the method of Dormand and Prince of order 8 with error estimates of orders 5 and 3, its step control, and its
   continuous extension of order 7.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shells.compiled import allocating_kernel, inner_kernel, kernel
from shells.motion.air.kernels import AIR_CEILING, flux_row, logarithm_of_density
from shells.motion.averaged.kernels import body_at

#: Error allowed in one step: a share of the radius, and a length [km]; of the velocity, the same in units of v / r.
RELATIVE_ERROR, ABSOLUTE_ERROR = 3e-13, 1e-10

#: A step this short [s] is taken whatever its error: where the density of the air is kinked, the method has no order
#: and would shorten its steps for ever. The kinks that matter, at the edges of the shadow, are met exactly instead.
SHORTEST_STEP = 0.01

#: Points of a step at which the shadow and the ground are looked for, once a stage has met them.
_SCAN = 8

#: Halvings of a part of a step, to place the edge of the shadow or the end: to 1e-9 s and better.
_HALVINGS = 40


def _matrix(width, *rows):
    """Return a matrix from the entries by column of each of its rows; the others are zero."""
    matrix = np.zeros((len(rows), width))
    for filled, row in zip(matrix, rows, strict=True):
        filled[list(row)] = list(row.values())
    return matrix


# [4], section II.5 and the appendix: stages 0 to 11; the weights of the result, which is stage 12; stages 13 to 15
# serve the continuous extension. Columns are the earlier stages, zeros left out.
# fmt: off
_STAGES = _matrix(
    16, {},
    {0: 0.05260015195876773},
    {0: 0.0197250569845379, 1: 0.0591751709536137},
    {0: 0.02958758547680685, 2: 0.08876275643042054},
    {0: 0.2413651341592667, 2: -0.8845494793282861, 3: 0.924834003261792},
    {0: 0.037037037037037035, 3: 0.17082860872947386, 4: 0.12546768756682242},
    {0: 0.037109375, 3: 0.17025221101954405, 4: 0.06021653898045596, 5: -0.017578125},
    {0: 0.03709200011850479, 3: 0.17038392571223998, 4: 0.10726203044637328, 5: -0.015319437748624402,
     6: 0.008273789163814023},
    {0: 0.6241109587160757, 3: -3.3608926294469414, 4: -0.868219346841726, 5: 27.59209969944671,
     6: 20.154067550477894, 7: -43.48988418106996},
    {0: 0.47766253643826434, 3: -2.4881146199716677, 4: -0.590290826836843, 5: 21.230051448181193,
     6: 15.279233632882423, 7: -33.28821096898486, 8: -0.020331201708508627},
    {0: -0.9371424300859873, 3: 5.186372428844064, 4: 1.0914373489967295, 5: -8.149787010746927,
     6: -18.52006565999696, 7: 22.739487099350505, 8: 2.4936055526796523, 9: -3.0467644718982196},
    {0: 2.273310147516538, 3: -10.53449546673725, 4: -2.0008720582248625, 5: -17.9589318631188, 6: 27.94888452941996,
     7: -2.8589982771350235, 8: -8.87285693353063, 9: 12.360567175794303, 10: 0.6433927460157636},
    {0: 0.054293734116568765, 5: 4.450312892752409, 6: 1.8915178993145003, 7: -5.801203960010585,
     8: 0.3111643669578199, 9: -0.1521609496625161, 10: 0.20136540080403034, 11: 0.04471061572777259},
    {0: 0.056167502283047954, 6: 0.25350021021662483, 7: -0.2462390374708025, 8: -0.12419142326381637,
     9: 0.15329179827876568, 10: 0.00820105229563469, 11: 0.007567897660545699, 12: -0.008298},
    {0: 0.03183464816350214, 5: 0.028300909672366776, 6: 0.053541988307438566, 7: -0.05492374857139099,
     10: -0.00010834732869724932, 11: 0.0003825710908356584, 12: -0.00034046500868740456, 13: 0.1413124436746325},
    {0: -0.42889630158379194, 5: -4.697621415361164, 6: 7.683421196062599, 7: 4.06898981839711,
     8: 0.3567271874552811, 12: -0.0013990241651590145, 13: 2.9475147891527724, 14: -9.15095847217987},
)

# estimates of order 5 and 3
_ERRORS = _matrix(
    12,
    {0: 0.01312004499419488, 5: -1.2251564463762044, 6: -0.4957589496572502, 7: 1.6643771824549864,
     8: -0.35032884874997366, 9: 0.3341791187130175, 10: 0.08192320648511571, 11: -0.022355307863886294},
    {0: -0.18980075407240762, 5: 4.450312892752409, 6: 1.8915178993145003, 7: -5.801203960010585,
     8: -0.4226823213237919, 9: -0.1521609496625161, 10: 0.20136540080403034, 11: 0.02265179219836082},
)

# continuous extension, beyond its cubic part
_DENSE = _matrix(
    16,
    {0: -8.428938276109013, 5: 0.5667149535193777, 6: -3.0689499459498917, 7: 2.38466765651207, 8: 2.117034582445028,
     9: -0.871391583777973, 10: 2.2404374302607883, 11: 0.6315787787694688, 12: -0.08899033645133331,
     13: 18.148505520854727, 14: -9.194632392478356, 15: -4.436036387594894},
    {0: 10.427508642579134, 5: 242.28349177525817, 6: 165.20045171727028, 7: -374.5467547226902,
     8: -22.113666853125306, 9: 7.733432668472264, 10: -30.674084731089398, 11: -9.332130526430229,
     12: 15.697238121770845, 13: -31.139403219565178, 14: -9.35292435884448, 15: 35.81684148639408},
    {0: 19.985053242002433, 5: -387.0373087493518, 6: -189.17813819516758, 7: 527.8081592054236,
     8: -11.57390253995963, 9: 6.8812326946963, 10: -1.0006050966910838, 11: 0.7777137798053443,
     12: -2.778205752353508, 13: -60.19669523126412, 14: 84.32040550667716, 15: 11.99229113618279},
    {0: -25.69393346270375, 5: -154.18974869023643, 6: -231.5293791760455, 7: 357.6391179106141,
     8: 93.40532418362432, 9: -37.45832313645163, 10: 104.0996495089623, 11: 29.8402934266605,
     12: -43.53345659001114, 13: 96.32455395918828, 14: -39.17726167561544, 15: -149.72683625798564},
)
# fmt: on

#: Instants of the stages as a share of the step.
_INSTANTS = _STAGES.sum(axis=1)

#: Factors of the recursion P'_n+1(u) = _RISE[n] u P'_n(u) - _FALL[n] P'_n-1(u) of derived Legendre polynomials.
_RISE = np.array([0.0] + [(2 * n + 1) / n for n in range(1, 16)])
_FALL = np.array([0.0] + [(n + 1) / n for n in range(1, 16)])

#: Factors of A_nm(u) = _UP[m, n] u A_n-1,m(u) - _DOWN[m, n] A_n-2,m(u), n > m.
_UP, _DOWN = np.zeros((10, 10)), np.zeros((10, 10))
for _m in range(10):
    for _n in range(_m + 1, 10):
        _UP[_m, _n], _DOWN[_m, _n] = (2 * _n - 1) / (_n - _m), (_n + _m - 1) / (_n - _m)


class Tesserals(NamedTuple):
    """The part of the gravity field that depends on longitude.

    Parameters
    ----------
    coefficients : ndarray of complex, shape (degree + 1, degree + 1)
        Unnormalised C_nm - i S_nm [1] at index (n, m), m > 0; shape (1, 1) for none.
    greenwich : float
        Angle of Greenwich from the equinox at the epoch [rad].
    """

    coefficients: NDArray[np.complex128]
    greenwich: float


@inner_kernel
def add_gravity(x, y, z, mu, radius, zonals, coefficients, angle, columns, out):
    """Add the acceleration by the Earth: central term, zonals and tesserals [1].

    With A_nm(u) the m-th derivative of the Legendre polynomial P_n, u = z / r, and w = (x + i y) / r in the rotating
    frame, the potential is mu / r times the sum of (R / r)^n A_nm Re[(C - i S) w^m]. Its gradient has parts along the
    place, with (n + m + 1) A_nm + u A_n,m+1 = A_n+1,m+1, along the pole, with A_n,m+1, and across it, with m A_nm.
    ``angle`` is that of Greenwich [rad]; ``columns``, (10, 10), is scratch for (R / r)^n A_nm at index (m, n).
    """
    r = np.sqrt(x * x + y * y + z * z)
    u, ratio = z / r, radius / r
    outwards, north = -1.0, 0.0
    before, slope, power = 0.0, 1.0, ratio
    for n in range(1, 16):
        weight = power * zonals[n]
        north -= weight * slope
        before, slope = slope, _RISE[n] * u * slope - _FALL[n] * before
        outwards += weight * slope
        power *= ratio

    across = 0.0j
    degree = coefficients.shape[0] - 1
    if degree > 0:
        turn = complex(np.cos(angle), np.sin(angle))
        longitude = complex(x / r, y / r) * turn.conjugate()
        along, square = u * ratio, ratio * ratio
        diagonal = 1.0
        for m in range(1, degree + 2):
            diagonal *= (2 * m - 1) * ratio
            column = columns[m]
            column[m - 1], column[m] = 0.0, diagonal
            value, previous = diagonal, 0.0
            for n in range(m + 1, degree + 2):
                value, previous = _UP[m, n] * along * value - _DOWN[m, n] * square * previous, value
                column[n] = value
        rotated = 1.0 + 0.0j
        for m in range(1, degree + 1):
            column, following = columns[m], columns[m + 1]
            # real and imaginary parts apart, of the terms with A_nm, A_n,m+1 and A_n+1,m+1
            level_c = level_s = rise_c = rise_s = pull_c = pull_s = 0.0
            for n in range(max(m, 2), degree + 1):
                c, s = coefficients[n, m].real, coefficients[n, m].imag
                level_c += c * column[n]
                level_s += s * column[n]
                rise_c += c * following[n]
                rise_s += s * following[n]
                pull_c += c * following[n + 1]
                pull_s += s * following[n + 1]
            across += m * complex(
                level_c * rotated.real - level_s * rotated.imag, -level_c * rotated.imag - level_s * rotated.real
            )
            rotated *= longitude
            north += rise_c * rotated.real - rise_s * rotated.imag
            outwards -= (pull_c * rotated.real - pull_s * rotated.imag) / ratio
        across *= turn

    strength = mu / (r * r)
    out[3] += strength * (outwards * x / r + across.real)
    out[4] += strength * (outwards * y / r + across.imag)
    out[5] += strength * (outwards * u + north)


@kernel
def add_body(x, y, z, body, mu, out):
    """Add the attraction of a body at ``body`` [km], less that of the Earth by it [2]."""
    dx, dy, dz = x - body[0], y - body[1], z - body[2]
    apart = dx * dx + dy * dy + dz * dz
    q = (x * (x - 2.0 * body[0]) + y * (y - 2.0 * body[1]) + z * (z - 2.0 * body[2])) / (
        body[0] * body[0] + body[1] * body[1] + body[2] * body[2]
    )
    f = q * (3.0 + q * (3.0 + q)) / (1.0 + (1.0 + q) * np.sqrt(1.0 + q))
    strength = -mu / (apart * np.sqrt(apart))
    out[3] += strength * (x + f * body[0])
    out[4] += strength * (y + f * body[1])
    out[5] += strength * (z + f * body[2])


@kernel
def in_light(x, y, z, sun, radius):
    """Return whether a place lies outside the cylinder behind the Earth, whose radius is that of the equator."""
    towards = x * sun[0] + y * sun[1] + z * sun[2]
    across = x * x + y * y + z * z - towards * towards / (sun[0] * sun[0] + sun[1] * sun[1] + sun[2] * sun[2])
    return towards > 0.0 or across > radius * radius


@kernel
def geodetic_height(x, y, z, radius, flattening):
    """Return the height above the ellipsoid [km] [3]: one round is exact to 1e-9 km out to the Moon."""
    polar = radius * (1.0 - flattening)
    squared = flattening * (2.0 - flattening)
    p = np.sqrt(x * x + y * y)
    # reduced latitude, then geodetic latitude, each as a pair of sides
    side, up = (1.0 - flattening) * p, z
    up *= 1.0 + squared / (1.0 - squared) * polar / np.sqrt(x * x + y * y + z * z)
    length = np.sqrt(side * side + up * up)
    cosine, sine = side / length, up / length
    side = p - squared * radius * cosine * cosine * cosine
    up = z + squared / (1.0 - squared) * polar * sine * sine * sine
    length = np.sqrt(side * side + up * up)
    cosine, sine = side / length, up / length
    return p * cosine + z * sine - radius * np.sqrt(1.0 - squared * sine * sine)


@inner_kernel
def add_drag(air, y, ballistic, rotation, out):
    """Add the drag of air that turns with the Earth."""
    vx, vy, vz = y[3] + rotation * y[1], y[4] - rotation * y[0], y[5]
    # kg m-3 times m2 kg-1 is m-1: 1000 km-1
    force = -500.0 * air * ballistic * np.sqrt(vx * vx + vy * vy + vz * vz)
    out[3] += force * vx
    out[4] += force * vy
    out[5] += force * vz


@kernel
def rates(time, y, lit, properties, end_height, model, tesserals, body, columns, out):
    """Fill ``out`` (6,) with the rates of a state; return whether it is where it is taken to be.

    Sunlight presses if ``lit``, so that the rates are smooth while a step crosses the edge of the shadow. False is
    returned where light is not as ``lit`` says, and at or below ``end_height``; ``body``, ``columns`` are scratch.
    """
    out[0], out[1], out[2] = y[3], y[4], y[5]
    out[3] = out[4] = out[5] = 0.0
    angle = tesserals.greenwich + model.rotation * time
    add_gravity(y[0], y[1], y[2], model.mu, model.radius, model.zonals, tesserals.coefficients, angle, columns, out)
    if model.moon_mu > 0.0:
        body[0], body[1], body[2] = body_at(model.moon, model.ephemeris_spacing, time)
        add_body(y[0], y[1], y[2], body, model.moon_mu, out)
    push = model.radiation * properties[1]
    light = lit
    if model.sun_mu > 0.0 or push > 0.0:
        body[0], body[1], body[2] = body_at(model.sun, model.ephemeris_spacing, time)
        add_body(y[0], y[1], y[2], body, model.sun_mu, out)
        if push > 0.0:
            light = in_light(y[0], y[1], y[2], body, model.equatorial_radius)
            if lit:
                distance = np.sqrt(body[0] * body[0] + body[1] * body[1] + body[2] * body[2])
                push *= (model.astronomical_unit / distance) ** 2 / distance
                for c in range(3):
                    out[c + 3] -= push * body[c]
    height = geodetic_height(y[0], y[1], y[2], model.equatorial_radius, model.flattening)
    if model.drag and height < AIR_CEILING:
        row, share = flux_row(time, model)
        add_drag(np.exp(logarithm_of_density(height, row, share, model.air)), y, properties[0], model.rotation, out)
    return light == lit and height > end_height


@inner_kernel
def combine(y, step, stage, stages, out):
    """Fill ``out`` (6,) with the state at which a stage is taken, from the stages before it; stage 12 is the result."""
    out[:] = 0.0
    for j in range(stage):
        weight = _STAGES[stage, j]
        if weight != 0.0:
            for c in range(6):
                out[c] += weight * stages[j, c]
    for c in range(6):
        out[c] = y[c] + step * out[c]


@inner_kernel
def step_error(y, trial, step, stages):
    """Return the estimated error of a step in units of the allowed one [4]."""
    r, v = np.sqrt(y[0] ** 2 + y[1] ** 2 + y[2] ** 2), np.sqrt(y[3] ** 2 + y[4] ** 2 + y[5] ** 2)
    allowed = ABSOLUTE_ERROR + RELATIVE_ERROR * r
    fifth = third = 0.0
    for c in range(6):
        scale = allowed if c < 3 else allowed * v / r
        high = low = 0.0
        for j in range(12):
            high += _ERRORS[0, j] * stages[j, c]
            low += _ERRORS[1, j] * stages[j, c]
        fifth += (high / scale) ** 2
        third += (low / scale) ** 2
    if fifth == 0.0:
        return 0.0
    return step * fifth / np.sqrt(6.0 * (fifth + 0.01 * third))


@inner_kernel
def to_polynomial(y, trial, step, stages, polynomial):
    """Fill ``polynomial`` (8, 6) with the continuous extension of a step, from all its stages [4]."""
    for c in range(6):
        change = trial[c] - y[c]
        polynomial[0, c] = y[c]
        polynomial[1, c] = change
        polynomial[2, c] = step * stages[0, c] - change
        polynomial[3, c] = 2.0 * change - step * (stages[12, c] + stages[0, c])
        for d in range(4):
            total = 0.0
            for j in range(16):
                total += _DENSE[d, j] * stages[j, c]
            polynomial[4 + d, c] = step * total


@inner_kernel
def within_step(polynomial, fraction, out):
    """Fill ``out`` (6,) with the state at a fraction of a step."""
    for c in range(6):
        total = 0.0
        for d in range(7, 0, -1):
            total = (total + polynomial[d, c]) * (fraction if d % 2 == 1 else 1.0 - fraction)
        out[c] = polynomial[0, c] + total


@inner_kernel
def unchanged(time, y, lit, shines, end_height, model, body):
    """Return whether a state is lit as supposed, where sunlight acts, and above the height of the end."""
    light = lit
    if shines:
        body[0], body[1], body[2] = body_at(model.sun, model.ephemeris_spacing, time)
        light = in_light(y[0], y[1], y[2], body, model.equatorial_radius)
    height = geodetic_height(y[0], y[1], y[2], model.equatorial_radius, model.flattening)
    return light == lit and height > end_height


@inner_kernel
def first_change(time, step, polynomial, lit, shines, end_height, model, body, out):
    """Return the fraction of a step after which light or height are first not as before, 1 if they stay.

    ``out`` (6,) is filled with the state there; ``body`` is scratch.
    """
    low = 0.0
    for j in range(1, _SCAN + 1):
        high = j / _SCAN
        within_step(polynomial, high, out)
        if not unchanged(time + high * step, out, lit, shines, end_height, model, body):
            for _ in range(_HALVINGS):
                middle = 0.5 * (low + high)
                within_step(polynomial, middle, out)
                if unchanged(time + middle * step, out, lit, shines, end_height, model, body):
                    low = middle
                else:
                    high = middle
            within_step(polynomial, high, out)
            return high
        low = high
    return 1.0


@allocating_kernel
def begin(states, start, model, paths):
    """Fill ``paths`` (n, 10), as `follow` takes them, for states (n, 6) at a time [s]."""
    sun = np.empty(3)
    sun[0], sun[1], sun[2] = body_at(model.sun, model.ephemeris_spacing, start)
    for path, y in zip(paths, states):  # noqa: B905 - the compiler knows no strict
        path[0] = start
        path[1] = 0.01 * np.sqrt((y[0] * y[0] + y[1] * y[1] + y[2] * y[2]) ** 1.5 / model.mu)
        path[2] = 1.0 if in_light(y[0], y[1], y[2], sun, model.equatorial_radius) else 0.0
        path[3] = np.nan
        path[4:] = y


@allocating_kernel
def follow(path, properties, times, end_height, model, tesserals, out):
    """Integrate one trajectory over ascending times.

    Each step has one state of light, lit or dark. A step in which a stage has met another light, or the height of the
    end, is searched through its continuous extension for the first change, and repeated to end there. What begins and
    ends between two stages, within a quarter of a step (30 s in LEO), can be missed: a shadow grazed for so short.

    Parameters
    ----------
    path : shape (10,)
        Time [s], length of the next step [s], 1 where lit, time of the end (NaN for none), state: where the integration
        stands, not after ``times[0]``. Left at the start of the step that holds the last time, so that later times
        continue as if all had been asked for at once.
    properties : shape (2,)
        Drag coefficient and reflectivity coefficient times area-to-mass ratio [m2 kg-1].
    times : shape (times,)
        Ascending [s].
    end_height : float
        Height above the ellipsoid [km] at which the trajectory ends.
    out : shape (times, 6)
        Filled with states; NaN after the end.
    """
    out[:] = np.nan
    if not np.isnan(path[3]):
        return
    time, step, lit = path[0], path[1], path[2] == 1.0
    shines = model.radiation * properties[1] > 0.0
    y, trial, work, body, columns = path[4:].copy(), np.empty(6), np.empty(6), np.empty(3), np.empty((10, 10))
    stages, polynomial = np.empty((16, 6)), np.empty((8, 6))
    rates(time, y, lit, properties, end_height, model, tesserals, body, columns, stages[0])
    node, length, cut, ending = 0, step, False, False
    while node < times.size:
        same = True
        for stage in range(1, 13):
            combine(y, length, stage, stages, trial)
            if stage == 12:
                error = step_error(y, trial, length, stages)
                if not error <= 1.0 and length > SHORTEST_STEP:
                    break
            instant = time + _INSTANTS[stage] * length
            same &= rates(instant, trial, lit, properties, end_height, model, tesserals, body, columns, stages[stage])
        if not error <= 1.0 and length > SHORTEST_STEP:
            # by a third also where the stages went so far astray that there is no error to speak of
            shrink = 0.9 * error**-0.125 if error < 1e3 else 1.0 / 3.0
            length = step = max(shrink * length, SHORTEST_STEP)
            cut = ending = False
            continue

        after = time + length
        if times[node] <= after or not (same or cut):
            for stage in range(13, 16):
                combine(y, length, stage, stages, work)
                instant = time + _INSTANTS[stage] * length
                rates(instant, work, lit, properties, end_height, model, tesserals, body, columns, stages[stage])
            to_polynomial(y, trial, length, stages, polynomial)
        if not (same or cut):
            fraction = first_change(time, length, polynomial, lit, shines, end_height, model, body, work)
            if fraction < 1.0:
                height = geodetic_height(work[0], work[1], work[2], model.equatorial_radius, model.flattening)
                cut, ending = True, height <= end_height
                length *= fraction
                continue

        while node < times.size and times[node] <= after:
            within_step(polynomial, (times[node] - time) / length, out[node])
            node += 1
        if node == times.size:
            path[0], path[1], path[2] = time, step, 1.0 if lit else 0.0
            path[4:] = y
        elif ending:
            path[3] = after
            return
        time = after
        y[:] = trial
        if cut:
            lit = not lit
            rates(time, y, lit, properties, end_height, model, tesserals, body, columns, stages[0])
        else:
            stages[0] = stages[12]
            step = length * min(6.0, 0.9 * error**-0.125)
        length, cut = step, False


@allocating_kernel
def follow_all(paths, properties, times, end_height, model, tesserals, out):
    """Integrate many trajectories (first axis of every array but ``times``); see `follow`."""
    for j in range(paths.shape[0]):
        follow(paths[j], properties[j], times, end_height, model, tesserals, out[j])
