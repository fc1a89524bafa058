"""Worlds of scenes: the dice of `scene.draw`, made wider, and split so that tests see what training never saw.

`scene.draw` stays as it is, since the samples start from it. `wider` changes a drawn scene by dice of its own:
what misleads most (grease, rings at the mouth, dashes, hands of the pipe's colour, mirrors) comes oftener here
than at a trench. `kept_to` then holds a scene to the surroundings, grounds and fittings of its world.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from .noise import pick
from .recipe import CollarSpec, MarkSpec, Recipe
from .scene import FINISHES, GROUND_KINDS, HARDWARE, draw, draw_mark

# plain: `scene.draw` alone; greasy: training's, with more at the mouth that is taken for its edge; wide: that, and what
# came to mind later
WORLDS = ("plain", "train", "greasy", "wide", "test")
# What belongs to the test world alone; training has all the rest.
TEST_MAPS = ("bridge", "studio")
TEST_GROUNDS = ("planks", "carpet", "asphalt")
TEST_FINISHES = ("chromate", "cast")
TEST_HARDWARE = ("coupling", "cap")

GREASES = {"black": 3, "white": 3, "brown": 2, "amber": 2, "grey": 1.5}


def scene_of(seed: int, maps: list[str], world: str = "train", scenario: str | None = None) -> Recipe:
    """The scene of a seed in a world of WORLDS; `scenario` as in `scene.draw`."""
    if world == "plain":
        return draw(seed, maps, scenario)
    rng = np.random.default_rng([seed, 4177])
    mine = [name for name in maps if (name in TEST_MAPS) == (world == "test")]
    recipe = draw(seed, mine, scenario)
    for change, chance in CHANGES.items():
        if rng.random() < chance:
            recipe = change(recipe, rng)
    if world != "test":
        recipe = _beyond_the_lists(recipe, np.random.default_rng([seed, 4178]))
    if world in ("greasy", "wide"):
        recipe = _at_the_mouth(recipe, np.random.default_rng([seed, 4179]))
    if world == "wide":
        recipe = widened(recipe)
    return kept_to(world, recipe, rng)


def widened(recipe: Recipe) -> Recipe:
    """The scene with what later versions added, by dice of its own: the scenes of older lots stay what they were."""
    rng = np.random.default_rng([recipe.seed, 4220])
    for change, chance in LATER.items():
        if rng.random() < chance:
            recipe = change(recipe, rng)
    return recipe


def _beyond_the_lists(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """Stuff and shapes of no name, so that those that training never sees are nothing new."""
    collar = recipe.collar
    if rng.random() < 0.25:
        collar = replace(collar, finish="any")
    if rng.random() < 0.25:
        collar = replace(collar, hardware="turned")
    return replace(recipe, collar=collar)


def _at_the_mouth(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """What is taken for the mouth's edge a millimetre off: even beads of grease, deep bores, end faces that mirror."""
    changes = {_beaded: 0.35, _crevice: 0.2, _from_the_end: 0.2, _metal: 0.2}
    for change, chance in changes.items():
        if rng.random() < chance:
            recipe = change(recipe, rng)
    return recipe


def with_look_alikes(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """The joint with what is taken for ink at its mouth, oftener than in any world: rings, grease, dirt, bare metal."""
    changes = {_ringed: 0.55, _greased: 0.25, _beaded: 0.3, _dirty_seam: 0.3, _crevice: 0.3, _metal: 0.2}
    for change, chance in changes.items():
        if rng.random() < chance:
            recipe = change(recipe, rng)
    return recipe


def doubtful(recipe: Recipe) -> Recipe:
    """The joint of a scene, marked or not by a coin, with what is taken for ink at most mouths of either.

    So a look-alike tells nothing of whether there is a mark, and only the mark itself does.
    """
    rng = np.random.default_rng([recipe.seed, 4180])
    mark = _near_the_mouth(recipe.mark or draw_mark(rng, recipe.pipe), rng) if rng.random() < 0.5 else None
    recipe = replace(recipe, mark=mark)
    return with_look_alikes(recipe, rng) if rng.random() < 0.8 else recipe


def deburred(recipe: Recipe) -> Recipe:
    """The marked pipe of a scene, its cut mostly turned off by hand: a chamfer is seen where the end seems to be."""
    rng = np.random.default_rng([recipe.seed, 4190])
    if recipe.cut is None or rng.random() < 0.35:
        return recipe
    chamfer_mm = float(min(rng.uniform(0.2, 1.2), 0.35 * recipe.pipe.wall_mm))
    return replace(recipe, cut=replace(recipe.cut, chamfer_mm=chamfer_mm, burr_mm=0.0, burr_over_mm=0.0))


def lipped(recipe: Recipe) -> Recipe:
    """The joint of a scene, six in ten doubtful; of half of them the lip large and of metal that mirrors the pipe."""
    rng = np.random.default_rng([recipe.seed, 4200])
    recipe = doubtful(recipe) if rng.random() < 0.6 else recipe
    if rng.random() < 0.5:
        return recipe
    collar = recipe.collar
    wall = (collar.od_mm - recipe.pipe.od_mm) / 2
    lip_mm = min(float(rng.uniform(0.7, 1.7)), 0.8 * (wall - collar.clearance_mm))
    finish = pick(rng, {"bright": 3, "mirror": 1, "brass": 2, "black_metal": 2, "zinc": 2, "steel": 2})
    kind = pick(rng, {"rolled": 4, "chamfer": 2})
    return replace(recipe, collar=replace(collar, lip_mm=max(lip_mm, 0.08), lip_kind=kind, finish=finish))


def unmarked(recipe: Recipe) -> Recipe:
    """The joint as `lipped` stages it, and mostly without its mark: its pictures get ink later (`training.pens`)."""
    recipe, rng = lipped(recipe), np.random.default_rng([recipe.seed, 4210])
    return recipe if rng.random() < 0.15 else replace(recipe, mark=None)


STAGED = {"doubtful": doubtful, "deburred": deburred, "lipped": lipped, "unmarked": unmarked}


def _near_the_mouth(mark: MarkSpec, rng: np.random.Generator) -> MarkSpec:
    """The mark moved, mostly, to where look-alikes lie; a second line goes with it."""
    if rng.random() < 0.3:
        return mark
    gap_mm = float(rng.uniform(-1.5, 3.0))
    second_mm = None if mark.second_mm is None else mark.second_mm - mark.gap_mm + gap_mm
    return replace(mark, gap_mm=gap_mm, second_mm=second_mm)


def kept_to(world: str, recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """The scene with a ground, a finish and hardware of its world, where it has those of the other."""
    ground = _of_world(world, recipe.ground.kind, GROUND_KINDS, TEST_GROUNDS, rng)
    finish = _of_world(world, recipe.collar.finish, FINISHES, TEST_FINISHES, rng)
    hardware = _of_world(world, recipe.collar.hardware, HARDWARE, TEST_HARDWARE, rng)
    collar = replace(recipe.collar, finish=finish, hardware=hardware)
    return replace(recipe, ground=replace(recipe.ground, kind=ground), collar=collar)


def _of_world(world: str, kind: str, table: dict, test_only: tuple[str, ...], rng: np.random.Generator) -> str:
    if (kind in test_only) == (world == "test"):
        return kind  # also one that is in no table
    return pick(rng, {key: weight for key, weight in table.items() if (key in test_only) == (world == "test")})


def _greased(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """A bead of grease at the mouth, thin to bulging."""
    grease = pick(rng, GREASES)
    return replace(recipe, dirt=replace(recipe.dirt, grease=grease, grease_mm=float(rng.uniform(0.4, 5))))


def _beaded(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """Grease squeezed out all round, as dark or as light and as even as a lip, a seam or a gasket."""
    tone, wide = pick(rng, GREASES), float(np.exp(rng.uniform(np.log(0.25), np.log(1.8))))
    tall = wide * float(rng.uniform(0.4, 1.2))
    return replace(recipe, dirt=replace(recipe.dirt, grease=tone, grease_mm=wide, bead_mm=tall))


def _smeared(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """A film of grease that was wiped along the pipe."""
    grease = recipe.dirt.grease or pick(rng, GREASES)
    bead = recipe.dirt.grease if rng.random() < 0.5 else grease
    return replace(recipe, dirt=replace(recipe.dirt, grease=bead, film=grease, film_mm=float(rng.uniform(1, 14))))


def _ringed(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """Something that is no ink lies round the pipe, right at the mouth."""
    kind = pick(rng, {"tape": 2, "o_ring": 2, "scratch_ring": 1, "label": 1, "cable_tie": 1})
    # flat tape as narrow as ink can't be told from ink in any picture: it would teach doubt of all lines
    width = {"tape": (8, 25), "o_ring": (1.0, 3), "scratch_ring": (0.15, 0.5), "label": (12, 40),
             "cable_tie": (2.2, 5)}[kind]
    ring = (kind, float(rng.uniform(-0.8, 2.0)), float(rng.uniform(*width)))
    return replace(recipe, decoys=(*recipe.decoys, ring))


def _dashed(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """A line that was dabbed, or a short tick."""
    if recipe.mark is None:
        return recipe
    if rng.random() < 0.4:
        return replace(recipe, mark=replace(recipe.mark, arc_deg=float(rng.uniform(14, 45))))
    return replace(recipe, mark=replace(recipe.mark, breaks=int(rng.integers(2, 16))))


def _like_the_pipe(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """A hand or glove of the pipe's own colour over the joint."""
    over = pick(rng, {"hand": 3, "glove": 3, "finger": 2})
    return replace(recipe, clutter=replace(recipe.clutter, over=(over,), as_pipe=True))


def _covered(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    over = pick(rng, {"hand": 3, "glove": 2, "finger": 2, "mud_lump": 2, "strap": 1, "cable": 1})
    return replace(recipe, clutter=replace(recipe.clutter, over=(over,)))


def _mirrored(recipe: Recipe, _rng: np.random.Generator) -> Recipe:
    return replace(recipe, collar=replace(recipe.collar, finish="mirror"))


def _metal(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """A bare collar: its end face mirrors the pipe and looks like more of it."""
    finish = pick(rng, {"steel": 2, "bright": 2, "zinc": 2, "brass": 1})
    return replace(recipe, collar=replace(recipe.collar, finish=finish))


def _crevice(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """A wide bore: a deep dark gap between pipe and collar."""
    wall = (recipe.collar.od_mm - recipe.pipe.od_mm) / 2
    clearance = min(float(rng.uniform(0.4, 1.6)), 0.55 * wall)
    lip = min(recipe.collar.lip_mm, 0.7 * (wall - clearance))
    return replace(recipe, collar=replace(recipe.collar, clearance_mm=clearance, lip_mm=max(lip, 0.08)))


def _dirty_seam(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    return replace(recipe, dirt=replace(recipe.dirt, seam_dirt=float(rng.uniform(0.6, 1.0))))


def _from_the_end(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """Seen well from the pipe's side: the collar's end face shows, often in shadow."""
    return replace(recipe, view=replace(recipe.view, yaw_mouth_deg=float(rng.uniform(8, 35))))


def _bent(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    radius = float(np.exp(rng.uniform(np.log(250), np.log(1500))))
    return replace(recipe, pipe=replace(recipe.pipe, bend_start_mm=float(rng.uniform(45, 140)),
                                        bend_radius_mm=radius))


def _low_sun(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    sun, height = float(rng.uniform(2, 10)), float(rng.uniform(3, 14))
    return replace(recipe, light=replace(recipe.light, sun=sun, sun_el_deg=height))


def _far(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    view = recipe.view
    share = float(np.exp(rng.uniform(np.log(0.055), np.log(0.1))))
    distance = view.focal_px * recipe.collar.od_mm / (share * 576)
    return replace(recipe, view=replace(view, collar_share=share, dist_mm=float(distance)))


def _thick(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """A thick or thin wall, a short or long collar: proportions beyond the usual."""
    od = recipe.pipe.od_mm * float(rng.choice([rng.uniform(1.035, 1.07), rng.uniform(1.28, 1.42)]))
    wall = (od - recipe.pipe.od_mm) / 2
    collar: CollarSpec = recipe.collar
    clearance = min(collar.clearance_mm, 0.4 * wall)
    lip = max(0.08, min(collar.lip_mm, 0.7 * (wall - clearance)))
    length = float(rng.uniform(12, 90))
    return replace(recipe, collar=replace(collar, od_mm=od, clearance_mm=clearance, lip_mm=lip, length_mm=length))


# How often each change comes; several can meet in one scene.
CHANGES: dict[Callable[[Recipe, np.random.Generator], Recipe], float] = {
    _greased: 0.14,
    _smeared: 0.09,
    _ringed: 0.05,
    _dashed: 0.16,
    _covered: 0.06,
    _like_the_pipe: 0.05,
    _mirrored: 0.07,
    _crevice: 0.12,
    _dirty_seam: 0.14,
    _from_the_end: 0.12,
    _bent: 0.10,
    _low_sun: 0.08,
    _far: 0.08,
    _thick: 0.10,
}


def _soaked(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    return replace(recipe, dirt=replace(recipe.dirt, wet=float(rng.uniform(0.15, 0.95))))


def _rusted(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """A pipe of steel that has rusted, here and there or all over."""
    pipe = recipe.pipe
    if pipe.metallic < 0.5:
        grey = float(rng.uniform(0.25, 0.6))
        rough = float(rng.uniform(0.25, 0.6))
        pipe = replace(pipe, hue="steel", color=(grey, grey, grey), metallic=1.0, roughness=rough)
    return replace(recipe, pipe=pipe, dirt=replace(recipe.dirt, rust=float(rng.uniform(0.1, 0.9))))


def _headlamp(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """A lamp worn on the head in the dark: shadows of the lip and of hands fall where a phone's own throws none."""
    light = replace(recipe.light, flash=float(np.exp(rng.uniform(np.log(1), np.log(20)))), sun=0.0,
                    lamp_mm=float(rng.uniform(70, 200)))
    return replace(recipe, light=light)


def _hairline(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """A line as thin as a ballpoint or a scriber draws it."""
    if recipe.mark is None:
        return recipe
    return replace(recipe, mark=replace(recipe.mark, width_mm=float(rng.uniform(0.25, 0.55)), drips=0))


def _crimped(recipe: Recipe, _rng: np.random.Generator) -> Recipe:
    return replace(recipe, collar=replace(recipe.collar, style="crimp"))


LATER: dict[Callable[[Recipe, np.random.Generator], Recipe], float] = {
    _soaked: 0.15,
    _rusted: 0.08,
    _headlamp: 0.08,
    _hairline: 0.06,
    _crimped: 0.10,
}
