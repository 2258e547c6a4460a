"""Changes that happen at once: melting, freezing, splitting, seeds, and layers that run out.

Each moves atoms and tin between neighbours by the lever rule and conserves both exactly.
"""

from __future__ import annotations

from bronzeward.growth.cells import copy_part, extend, fill
from bronzeward.growth.problem import Problem, Work
from bronzeward.growth.slots import CORE, N_SLOTS

SPENT = 1e-2
"""A layer at the centre or the barrier is used up at this times the step tolerance, as a share of the tin or the
copper, whichever is less.

Stages are solved no more finely than that; what is left goes to the neighbours."""

THINNEST_PROFILE_SHARE = 5e-7
"""The least for a layer with a profile, as a share of all atoms: its cells cannot shrink to nothing, and below a tenth
of it the rounding of what the whole strand holds is more than stages are solved to."""

WORTH_STARTING = 10.0
"""A layer starts at the centre or the barrier when the surplus there would make this many times a used-up one."""

TOO_FAR = 0.8
"""Supersaturation, as a share of the way from the boundary of a phase to the composition of its neighbour, that no
front can follow: its speed grows without bound towards 1, where the phase changes without any diffusion."""

SEED_SHARE = 0.01
"""A seed takes at most this share of the layers it grows from."""

MOST_TAKEN = 0.9
"""A layer that would lose more than this share of its atoms to one that vanishes, vanishes with it."""

TIGHT = 1e-14
"""Relative accuracy of a lever-rule balance that has to be iterated."""


def composition_at_end(p: Problem, w: Work, slot: int, copper_side: bool) -> float:
    """Composition of a layer at one of its ends: of its end cell when it has cells."""
    if p.wide[slot]:
        first = int(p.cell_start[slot])
        return float(w.x[first + int(p.cells[slot]) - 1 if copper_side else first])
    return float(w.tin[slot] / w.n[slot])


def add(p: Problem, w: Work, slot: int, amount: float, x: float, copper_side: bool) -> None:
    """Join atoms of composition `x` to a layer, which may not exist yet."""
    if amount == 0.0:
        return
    if not p.wide[slot]:
        w.n[slot] += amount
        w.tin[slot] += amount * x
    elif w.n[slot] <= 0.0:
        fill(p, w, slot, amount, x)
    elif copper_side:
        extend(p, w, slot, 0.0, 0.0, amount, x)
    else:
        extend(p, w, slot, amount, x, 0.0, 0.0)


def take(p: Problem, w: Work, slot: int, amount: float, copper_side: bool) -> float:
    """Take atoms from one end of a layer; the tin that came with them."""
    before = w.tin[slot]
    if p.wide[slot]:
        if copper_side:
            extend(p, w, slot, 0.0, 0.0, -amount, 0.0)
        else:
            extend(p, w, slot, -amount, 0.0, 0.0, 0.0)
    else:
        x = w.tin[slot] / w.n[slot]
        w.n[slot] -= amount
        w.tin[slot] -= amount * x
    return float(before - w.tin[slot])


def give_tin(p: Problem, w: Work, slot: int, tin: float, copper_side: bool) -> None:
    """Put tin without atoms into the end cell of a profile (or the bookkeeping of a compound).

    Less than nothing is drawn from as many cells as it needs, none of which is left below zero.
    """
    w.tin[slot] += tin
    if not p.wide[slot]:
        return
    first, last = int(p.cell_start[slot]), int(p.cell_start[slot]) + int(p.cells[slot]) - 1
    for k in range(last - first + 1):
        c = last - k if copper_side else first + k
        part = tin
        if tin < 0.0 and k < last - first:
            part = max(tin, -max(w.u[c], 0.0))
        w.u[c] += part
        w.x[c] = w.u[c] / (w.n[slot] * (p.edge[c + slot + 1] - p.edge[c + slot]))
        tin -= part
        if tin == 0.0:
            break


def settle(p: Problem, w: Work, inner: int, outer: int, missing: float) -> None:
    """Raise the tin of two layers by `missing`, keeping their atoms: a few change sides.

    Beside a profile the compound takes whole its tin, the profile keeps its own.
    """
    if not p.wide[inner] and not p.wide[outer]:
        x_inner, x_outer = w.tin[inner] / w.n[inner], w.tin[outer] / w.n[outer]
        shift = missing / (x_inner - x_outer)
        w.n[inner] += shift
        w.n[outer] -= shift
        w.tin[inner] += x_inner * shift
        w.tin[outer] -= x_outer * shift
    elif p.wide[inner] and p.wide[outer]:
        slot = inner if w.tin[inner] > w.tin[outer] else outer
        scale = 1.0 + missing / w.tin[slot]
        for c in range(int(p.cell_start[slot]), int(p.cell_start[slot]) + int(p.cells[slot])):
            w.u[c] *= scale
            w.x[c] *= scale
        w.tin[slot] += missing
    else:
        compound, profile = (outer, inner) if p.wide[inner] else (inner, outer)
        shift = missing * w.n[compound] / w.tin[compound]
        w.n[compound] += shift
        w.tin[compound] += missing
        w.n[profile] -= shift


def clear(p: Problem, w: Work, slot: int) -> None:
    """Leave nothing of a layer."""
    w.n[slot] = 0.0
    w.tin[slot] = 0.0
    first = int(p.cell_start[slot])
    for c in range(first, first + int(p.cells[slot])):
        w.u[c] = 0.0
        w.x[c] = 0.0


def next_present(p: Problem, regime: int, slot: int, step: int) -> int:
    """The next stable phase towards copper (step 1) or tin (step -1), or -1."""
    slot += step
    while 0 <= slot < N_SLOTS:
        if p.present[regime * N_SLOTS + slot]:
            return slot
        slot += step
    return -1


def next_filled(w: Work, slot: int, step: int, least: float) -> int:
    """The next layer with more than `least` atoms towards copper (1) or tin (-1), or -1."""
    slot += step
    while 0 <= slot < N_SLOTS:
        if w.n[slot] > least:
            return slot
        slot += step
    return -1


def melt_core(p: Problem, w: Work) -> None:
    """Solid tin takes the copper it needs from the layers outside it and becomes liquid on its liquidus."""
    wanted = w.x_out[CORE]
    for _ in range(200):
        lacking = w.tin[CORE] - wanted * w.n[CORE]
        if abs(lacking) <= TIGHT * w.n[CORE]:
            break
        slot = next_filled(w, CORE, 1, 0.0)
        if slot < 0:
            break
        x = composition_at_end(p, w, slot, False)
        amount = lacking / (wanted - x)
        if amount < 0.0:  # too much was taken, from cells of several compositions: the end gets it back
            w.n[CORE] += amount
            w.tin[CORE] += amount * x
            add(p, w, slot, -amount, x, False)
        elif amount >= w.n[slot] * (1.0 - 1e-9):
            w.tin[CORE] += w.tin[slot]
            w.n[CORE] += w.n[slot]
            clear(p, w, slot)
        else:
            tin = take(p, w, slot, amount, False)
            w.n[CORE] += amount
            w.tin[CORE] += tin


def freeze_core(p: Problem, w: Work, regime: int) -> None:
    """Liquid splits into solid tin and the compound next to it."""
    solid = w.x_out[CORE]
    slot = next_present(p, regime, CORE, 1)
    x = w.x_in[slot]
    amount = (solid * w.n[CORE] - w.tin[CORE]) / (solid - x)
    w.n[CORE] -= amount
    w.tin[CORE] -= amount * x
    add(p, w, slot, amount, x, False)


def decompose(p: Problem, w: Work, regime: int, slot: int) -> None:
    """A phase that stopped being stable joins or splits into the phases that are stable there."""
    amount = w.n[slot]
    x = w.tin[slot] / amount
    tin_side = -1
    for other in range(N_SLOTS):
        if p.present[regime * N_SLOTS + other]:
            if w.x_out[other] - 1e-9 <= x <= w.x_in[other] + 1e-9:
                clear(p, w, slot)
                add(p, w, other, amount, x, other < slot)
                return
            if w.x_out[other] > x:
                tin_side = other
    copper_side = next_present(p, regime, tin_side, 1)
    clear(p, w, slot)
    if copper_side < 0 or tin_side < 0:
        edge = max(tin_side, copper_side)
        add(p, w, edge, amount, x, edge < slot)
        return
    richer, leaner = w.x_out[tin_side], w.x_in[copper_side]
    part = amount * (x - leaner) / (richer - leaner)
    add(p, w, tin_side, part, richer, True)
    add(p, w, copper_side, amount - part, leaner, False)


def split_gamma(p: Problem, w: Work, slot_tin: int, slot_middle: int, slot_copper: int) -> None:
    """On cooling, epsilon forms inside gamma: the part richer in tin comes to lie on epsilon's tin side."""
    first = int(p.cell_start[slot_copper])
    rich = 0.0
    for c in range(first, first + int(p.cells[slot_copper])):
        if w.x[c] > w.x_in[slot_middle]:
            rich += w.n[slot_copper] * (p.edge[c + slot_copper + 1] - p.edge[c + slot_copper])
        else:
            break
    if 0.0 < rich < w.n[slot_copper] * (1.0 - 1e-9):
        copy_part(p, w, slot_copper, slot_tin, rich)
        take(p, w, slot_copper, rich, False)
    elif rich > 0.0:
        copy_part(p, w, slot_copper, slot_tin, w.n[slot_copper])
        clear(p, w, slot_copper)


def spent_amount(p: Problem, slot: int, atoms: float) -> float:
    """Atoms below which a layer at the centre or the barrier is used up, of `atoms` in all [mol/m]."""
    amount = SPENT * p.tolerance * min(p.all_tin, atoms - p.all_tin)
    return max(amount, THINNEST_PROFILE_SHARE * atoms) if p.wide[slot] else amount


def surplus(p: Problem, w: Work, host: int, slot: int) -> float:
    """Atoms of phase `slot` that the supersaturated end of layer `host` would make by the lever rule."""
    copper_side = slot > host
    limit = w.x_out[host] if copper_side else w.x_in[host]
    gap = abs(limit - (w.x_in[slot] if copper_side else w.x_out[slot]))
    if not p.wide[host]:
        return max(0.0, limit * w.n[host] - w.tin[host]) / gap if copper_side else 0.0
    result = 0.0
    first, cells = int(p.cell_start[host]), int(p.cells[host])
    for k in range(cells):
        c = first + cells - 1 - k if copper_side else first + k
        beyond = limit - w.x[c] if copper_side else w.x[c] - limit
        if beyond <= 0.0:
            break
        result += beyond / gap * w.n[host] * (p.edge[c + host + 1] - p.edge[c + host])
    return result


def seed_amount(p: Problem, slot: int) -> float:
    """Atoms in a layer of seed thickness round the tin core [mol/m]."""
    return p.seed * p.perimeter / p.volume[slot]


def seed_composition(p: Problem, w: Work, slot: int) -> float:
    """Composition a new layer starts with."""
    return 0.5 * (w.x_in[slot] + w.x_out[slot])


def start(p: Problem, w: Work, slot: int, amount: float, x: float) -> None:
    """Make a new layer."""
    if p.wide[slot]:
        fill(p, w, slot, amount, x)
    else:
        w.n[slot] = amount
        w.tin[slot] = amount * x


def seed_between(p: Problem, w: Work, slot: int) -> bool:
    """Start a stable phase that is missing between two layers, from what its neighbours hold."""
    amount = seed_amount(p, slot)
    # rather from layers that are more than seeds themselves
    inner = next_filled(w, slot, -1, 2.0 * amount)
    outer = next_filled(w, slot, 1, 2.0 * amount)
    if inner < 0:
        inner = next_filled(w, slot, -1, 0.0)
    if outer < 0:
        outer = next_filled(w, slot, 1, 0.0)
    if inner < 0 or outer < 0:
        return False
    x = seed_composition(p, w, slot)
    richer = composition_at_end(p, w, inner, True)
    leaner = composition_at_end(p, w, outer, False)
    if not leaner < x < richer:
        return False
    share = (x - leaner) / (richer - leaner)
    amount = min(amount, SEED_SHARE * w.n[inner] / share, SEED_SHARE * w.n[outer] / (1.0 - share))
    tin = take(p, w, inner, share * amount, True) + take(p, w, outer, (1.0 - share) * amount, False)
    start(p, w, slot, amount, x)
    settle(p, w, inner, outer, tin - amount * x)
    return True


def seed_at_edge(p: Problem, w: Work, slot: int, host: int, atoms: float) -> None:
    """Start a phase at the end of a supersaturated layer `host`, at the centre or the barrier.

    Liquid has no profile that could carry its surplus, so it gives all of it at once, by the lever rule.
    """
    copper_side = slot > host
    amount = min(max(seed_amount(p, slot), WORTH_STARTING * spent_amount(p, slot, atoms)), SEED_SHARE * w.n[host])
    x = w.x_in[slot] if copper_side else w.x_out[slot]
    if host == CORE:
        amount = surplus(p, w, host, slot)
    tin = take(p, w, host, amount, copper_side)
    start(p, w, slot, amount, x)
    give_tin(p, w, host, tin - amount * x, copper_side)


def overdraws(p: Problem, w: Work, edge: int, beyond: int, amount: float, tin: float) -> int:
    """The one of two layers that taking up `amount` atoms with `tin` between them would empty, or -1."""
    if p.wide[edge]:
        return -1
    x_edge = w.tin[edge] / w.n[edge]
    missing = tin - amount * x_edge
    if p.wide[beyond]:
        gained = -missing / x_edge
    else:
        gained = missing / (w.tin[beyond] / w.n[beyond] - x_edge)
    # what the layer beyond gains, the one at the edge loses: the lever rule of `settle`
    if -gained > MOST_TAKEN * w.n[beyond]:
        return beyond
    return edge if gained > w.n[edge] + amount else -1


def absorb(p: Problem, w: Work, amount: float, tin: float, slot: int, edge: int, beyond: int) -> None:
    """Hand the last atoms of `slot`, already cleared, to the layer `edge` beside it and the one `beyond`.

    The two share them by the lever rule, keeping their compositions. Where one of them is too thin for its part it
    vanishes in the same moment: it joins the parcel with all its atoms and all its tin, and the parcel goes to the
    next two. So several layers may go at once, and whatever happens is either the move of a whole layer (n and tin
    leave one place and enter another, the same two numbers) or the lever rule within `settle`, whose tin moves with
    the atoms that change sides. Nothing is put right afterwards: totals are kept by construction, to rounding, and
    no layer is left below zero.
    """
    step = 1 if beyond > slot else -1
    while beyond >= 0:
        emptied = overdraws(p, w, edge, beyond, amount, tin)
        if emptied < 0:
            break
        amount += w.n[emptied]
        tin += w.tin[emptied]
        if emptied == edge:
            edge = beyond
        clear(p, w, emptied)
        beyond = next_filled(w, beyond, step, 0.0)
    if p.wide[edge] or beyond < 0:
        w.n[edge] += amount
        give_tin(p, w, edge, tin, edge < slot)
        return
    x_edge = w.tin[edge] / w.n[edge]
    w.n[edge] += amount
    w.tin[edge] += amount * x_edge
    settle(p, w, min(edge, beyond), max(edge, beyond), tin - amount * x_edge)


def relieve(p: Problem, w: Work, host: int, neighbour: int, beyond: int) -> bool:
    """Split the end of a profile by the lever rule where it is too far supersaturated against its neighbour.

    That happens when a wide phase is cooled faster than it can level. Atoms richer (on the tin side) than the
    neighbour itself become neighbour and what lies `beyond` it.
    """
    copper_side = neighbour > host
    limit = w.x_out[host] if copper_side else w.x_in[host]
    x_new = w.x_in[neighbour] if copper_side else w.x_out[neighbour]
    first, cells = int(p.cell_start[host]), int(p.cells[host])
    atoms = 0.0
    for k in range(cells):
        c = first + cells - 1 - k if copper_side else first + k
        far = (w.x[c] - limit) / (x_new - limit)
        if far <= (TOO_FAR if k == 0 else 0.0):
            break
        atoms += w.n[host] * (p.edge[c + host + 1] - p.edge[c + host])
    if atoms == 0.0:
        return False
    if atoms >= (1.0 - 1e-6) * w.n[host]:
        # nothing worth keeping is left: the whole layer goes, its atoms and its tin as they stand
        atoms, tin = w.n[host], w.tin[host]
        clear(p, w, host)
    else:
        tin = take(p, w, host, atoms, copper_side)
    share = (tin / atoms - limit) / (x_new - limit)
    part = min(share, 1.0) * atoms
    if share < 1.0:
        add(p, w, host, atoms - part, limit, copper_side)
    elif p.wide[neighbour]:
        x_new = tin / atoms
    add(p, w, neighbour, part, x_new, not copper_side)
    missing = tin - part * x_new - (atoms - part) * limit
    if beyond >= 0 and w.n[beyond] > 0.0:
        settle(p, w, min(neighbour, beyond), max(neighbour, beyond), missing)
    else:
        give_tin(p, w, neighbour, missing, not copper_side)
    return True


def relieve_all(p: Problem, w: Work, count: int) -> bool:
    """Relieve both ends of every profile; whether any needed it."""
    found = False
    for k in range(count):
        host = int(w.sequence[k])
        if p.wide[host]:
            if k > 0 and w.n[host] > 0.0 and w.n[w.sequence[k - 1]] > 0.0:
                beyond = int(w.sequence[k - 2]) if k > 1 else -1
                found = relieve(p, w, host, int(w.sequence[k - 1]), beyond) or found
            if k < count - 1 and w.n[host] > 0.0 and w.n[w.sequence[k + 1]] > 0.0:
                beyond = int(w.sequence[k + 2]) if k + 2 < count else -1
                found = relieve(p, w, host, int(w.sequence[k + 1]), beyond) or found
    return found


def supersaturation(p: Problem, w: Work, regime: int, count: int, atoms: float) -> tuple[int, float]:
    """The stable phase most wanted at the centre or the barrier, or -1, and its surplus over what is worth starting."""
    found, most = -1, 0.0
    inner, outer = int(w.sequence[0]), int(w.sequence[count - 1])
    for step in (-1, 1):
        host = inner if step < 0 else outer
        if p.wide[host] or (step > 0 and host == CORE and p.liquid_core[regime]):
            slot = next_present(p, regime, host, step)
            if slot >= 0:
                share = surplus(p, w, host, slot) / (WORTH_STARTING * spent_amount(p, slot, atoms))
                if share > most:
                    found, most = slot, share
    return found, most
