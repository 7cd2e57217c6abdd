"""One photograph of one specimen, from numbers to pixels."""

from dataclasses import dataclass

import cv2
import numpy as np

from tickvision.drawing.anatomy import Colour
from tickvision.drawing.camera import blur, expose, lamp, sense
from tickvision.drawing.canvas import Canvas, Light, Pen, Points, part_of
from tickvision.drawing.legs import Leg, pose_legs, reach_of
from tickvision.drawing.not_ticks import draw_thing, reach_of_thing
from tickvision.drawing.outline import Body
from tickvision.drawing.scale_bar import SCALE_BAR_SHARE, draw_scale_bar
from tickvision.drawing.scene import background
from tickvision.drawing.specimen import PHOTO_STREAM, Specimen
from tickvision.drawing.spoil import cover_up, crush, hides_head, spoil_canvas
from tickvision.drawing.submitter import Submitter, submitter_of
from tickvision.drawing.textures import Field, Image, Rng
from tickvision.drawing.tick import draw_dorsal, palette
from tickvision.drawing.underside import draw_ventral

VENTRAL_SHARE = 0.08  # of second and later photographs: about three in a hundred of all


@dataclass(frozen=True)
class PhotoTruth:
    """What is truly in one drawn photograph.

    fill is body_length_mm * px_per_mm as a share of the frame before tilt. focus_px is the sigma of
    the defocus. orientation is the EXIF value under which the file is to be stored.
    """

    specimen: int
    photo_number: int
    submission: int
    view: str
    device: str
    background: str
    scale_bar: bool
    fill: float
    turn_deg: float
    body_length_mm: float
    px_per_mm: float
    scutum_length_px: float
    legs_drawn: int
    focus_px: float
    motion_px: float
    orientation: int
    quality: int


@dataclass(frozen=True)
class _Shot:
    """How one photograph is taken, before anything is drawn."""

    view: str
    fill: float
    turn: float
    tilt: tuple[float, float]
    centre: tuple[float, float]
    focus_px: float
    motion_px: float
    ground_blur_px: float
    scale_bar: bool
    orientation: int
    quality: int


def draw_photo(specimen: Specimen, photo_number: int, seed: int, size_px: int = 640) -> tuple[Image, PhotoTruth]:
    """Return one photograph, RGB uint8 (size_px, size_px, 3), and the truth about it.

    The same arguments give the same pixels, whatever else is drawn before or beside it.
    """
    rng = np.random.default_rng([seed, PHOTO_STREAM, specimen.number, photo_number])
    submitter = submitter_of(specimen.submission, seed)
    shot = _take(specimen, photo_number, submitter, size_px, rng)
    light = lamp(submitter, rng)
    image = background(submitter, size_px, shot.ground_blur_px, rng)
    pen = _pen(specimen, shot, size_px)
    legs = _place(image, specimen, shot, pen, light, rng)
    if specimen.spoiled:
        image = cover_up(image, specimen, pen, rng)
    if shot.scale_bar:
        draw_scale_bar(image, shot.fill * size_px / specimen.body_length_mm, _body_box(specimen, pen), rng)
    image = blur(image, shot.focus_px, shot.motion_px, float(rng.uniform(0, np.pi)))
    image = sense(expose(image, submitter, light, rng), submitter, rng)
    return image, _truth(specimen, photo_number, submitter, shot, size_px, legs)


def _take(specimen: Specimen, photo_number: int, submitter: Submitter, size_px: int, rng: Rng) -> _Shot:
    fill = 0.15 + 0.65 * float(rng.beta(5.0, 1.4))
    ventral = rng.random() < VENTRAL_SHARE and photo_number > 0 and specimen.kind == "tick"
    turn = float(rng.uniform(0, 2 * np.pi))
    focus = submitter.sharpness + float(rng.exponential(0.25))
    focus = min(focus, 2.6) * size_px / 640 * (0.5 + fill)
    if specimen.spoiled == "blurred":
        focus = float(rng.uniform(0.055, 0.085)) * fill * size_px
    orientation = int(rng.choice((1, 3, 6, 8), p=(0.4, 0.15, 0.3, 0.15))) if submitter.turns_camera else 1
    return _Shot(
        view="ventral" if ventral else "dorsal",
        fill=fill,
        turn=turn,
        tilt=(float(1 - abs(rng.normal(0, 0.045))), float(rng.uniform(0, np.pi))),
        centre=_centre(fill, turn, rng),
        focus_px=focus,
        motion_px=float(rng.uniform(2, 7)) * size_px / 640 if rng.random() < 0.12 else 0.0,
        ground_blur_px=float(rng.exponential(1.6 if submitter.device == "microscope" else 0.9)) * size_px / 640,
        scale_bar=rng.random() < SCALE_BAR_SHARE,
        orientation=orientation,
        quality=int(rng.integers(submitter.quality[0], submitter.quality[1])),
    )


def _centre(fill: float, turn: float, rng: Rng) -> tuple[float, float]:
    """Return where in the frame the middle of the body lies, so that body and mouthparts stay inside."""
    reach = 0.5 * fill * (np.abs([np.sin(turn), np.cos(turn)]) + 0.78 * np.abs([np.cos(turn), np.sin(turn)]))
    room = np.maximum(0.48 - np.minimum(reach, 0.5 * fill + 0.02), 0)
    at = 0.5 + np.clip(rng.normal(0, 0.42, 2), -1, 1) * room
    return float(at[0]), float(at[1])


def _pen(specimen: Specimen, shot: _Shot, size_px: int) -> Pen:
    """Return the pen that sets the specimen in the frame, true to scale along the untilted axis."""
    unit_px = shot.fill * size_px * specimen.unit_mm / specimen.body_length_mm
    cos, sin = np.cos(shot.turn), np.sin(shot.turn)
    turn = np.array([[cos, -sin], [sin, cos]])
    axis = np.array([np.cos(shot.tilt[1]), np.sin(shot.tilt[1])])
    squeeze = np.eye(2) - (1 - shot.tilt[0]) * np.outer(axis, axis)
    mirror = np.diag([-1.0, 1.0]) if shot.view == "ventral" else np.eye(2)
    matrix = squeeze @ turn @ mirror * unit_px
    middle = np.array([0, specimen.length_growth - specimen.body_length_mm / specimen.unit_mm / 2])
    offset = np.array(shot.centre) * size_px - matrix @ middle
    return Pen(matrix, offset, float(unit_px))


def _body_box(specimen: Specimen, pen: Pen) -> Points:
    """Return the corners, low and high, of body and mouthparts in px."""
    front = specimen.length_growth - specimen.body_length_mm / specimen.unit_mm
    if specimen.kind == "tick":
        outline = np.concatenate([Body(specimen).polygon(0), [[0.0, front]]])
    else:
        outline = reach_of_thing(specimen.kind) * [0.6, 1.0]
    at = pen.px(outline)
    return np.stack([at.min(0), at.max(0)])


def _place(image: Image, specimen: Specimen, shot: _Shot, pen: Pen, light: Light, rng: Rng) -> list[Leg]:
    """Draw the specimen and its shadow into the image, in place."""
    body, legs = None, []
    if specimen.kind == "tick":
        body = Body(specimen)
        legs = pose_legs(specimen, body, rng)
        front = specimen.length_growth - specimen.body_length_mm / specimen.unit_mm
        room = np.concatenate([body.polygon(0), reach_of(legs), [[0, front - 0.05]]])
    else:
        room = reach_of_thing(specimen.kind)
    window = _window(pen, room, image.shape[0], _cast(light, pen.unit_px))
    if window is None:
        return legs
    left, top, right, bottom = window
    local = pen.shifted(np.array([left, top], float))
    canvas = Canvas((bottom - top, right - left), local, _ground_colour(specimen))
    if specimen.kind == "tick" and body is not None:
        draw = draw_ventral if shot.view == "ventral" else draw_dorsal
        draw(canvas, specimen, body, legs, rng, hides_head(specimen))
        spoil_canvas(canvas, specimen, rng)
    else:
        draw_thing(canvas, specimen, rng)
    if specimen.spoiled == "crushed":
        crush(canvas, rng)
    _composite(image[top:bottom, left:right], canvas, light, shot)
    return legs


def _ground_colour(specimen: Specimen) -> Colour:
    """Return the colour a canvas starts with: that of the legs, which then need no painting."""
    return palette(specimen).legs if specimen.kind == "tick" else (90, 60, 45)


def _cast(light: Light, unit_px: float) -> Points:
    """Return how far the shadow falls from the specimen, in px."""
    x, y, z = light.towards
    return np.array([-x, -y]) / max(z, 0.5) * 0.10 * unit_px


def _window(pen: Pen, room: Points, size_px: int, cast: Points) -> tuple[int, int, int, int] | None:
    """Return left, top, right, bottom of the room and its shadow; None if it lies outside the picture."""
    at = pen.px(room)
    pad = 8 + 0.10 * pen.unit_px
    low = np.floor(np.clip(at.min(0) + np.minimum(cast, 0) - pad, 0, size_px)).astype(int)
    high = np.ceil(np.clip(at.max(0) + np.maximum(cast, 0) + pad, 0, size_px)).astype(int)
    if (high - low).min() < 8:
        return None
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def _composite(ground: Image, canvas: Canvas, light: Light, shot: _Shot) -> None:
    """Lay the lit canvas over the ground: cast shadow, contact shadow, depth of field."""
    shade = _shadow(canvas, light)
    ground[:] = cv2.multiply(ground, cv2.merge([shade, shade, shade]), dtype=cv2.CV_8U)
    soft = max(0.0, shot.ground_blur_px * 0.6)
    edge = 0.6 + 0.35 * soft
    wide = int(np.ceil(2 * edge))
    rows, cols = part_of(canvas.alpha)
    part = (slice(max(rows.start - wide, 0), rows.stop + wide), slice(max(cols.start - wide, 0), cols.stop + wide))
    picture = canvas.lit(light, part)
    if soft > 0.8:  # legs near the ground go out of focus with it
        low = (canvas.height[part] < np.float32(0.075 * canvas.pen.unit_px)).astype(np.uint8) * 255
        weight = cv2.blur(low, (5, 5)).astype(np.float32) / 255
        away = cv2.GaussianBlur(picture, (2 * wide + 1, 2 * wide + 1), soft)
        picture = np.asarray(cv2.blendLinear(picture, away, 1 - weight, weight), np.uint8)
    alpha = cv2.GaussianBlur(canvas.alpha[part], (2 * wide + 1, 2 * wide + 1), edge, borderType=cv2.BORDER_REPLICATE)
    cover = alpha.astype(np.float32) / 255
    ground[part] = cv2.blendLinear(np.ascontiguousarray(ground[part]), picture, 1 - cover, cover)


def _shadow(canvas: Canvas, light: Light) -> Field:
    """Return the share of light that reaches the ground, float32."""
    cast = _cast(light, canvas.pen.unit_px) / 4
    move = np.array([[1, 0, cast[0]], [0, 1, cast[1]]], np.float64)
    rows, cols = canvas.shape
    small = cv2.resize(canvas.alpha, (max(cols // 4, 1), max(rows // 4, 1)), interpolation=cv2.INTER_AREA)
    near = cv2.GaussianBlur(small, (0, 0), max(0.5, 0.009 * canvas.pen.unit_px))
    far = cv2.warpAffine(small, move, (small.shape[1], small.shape[0]))
    far = cv2.GaussianBlur(far, (0, 0), max(0.6, 0.016 * canvas.pen.unit_px))
    lamp_share = light.strength / (light.strength + light.ambient)
    dark = far.astype(np.float32) * np.float32(lamp_share * (0.35 if light.is_ring else 0.8) / 255)
    dark += near.astype(np.float32) * np.float32(0.35 / 255)
    dark = cv2.resize(dark, (cols, rows), interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.clip(1 - dark, 0.15, 1), np.float32)


def _truth(
    specimen: Specimen, photo_number: int, submitter: Submitter, shot: _Shot, size_px: int, legs: list[Leg]
) -> PhotoTruth:
    px_per_mm = shot.fill * size_px / specimen.body_length_mm
    return PhotoTruth(
        specimen=specimen.number,
        photo_number=photo_number,
        submission=specimen.submission,
        view=shot.view,
        device=submitter.device,
        background=submitter.background,
        scale_bar=shot.scale_bar,
        fill=round(shot.fill, 4),
        turn_deg=round(float(np.rad2deg(shot.turn)), 1),
        body_length_mm=round(specimen.body_length_mm, 4),
        px_per_mm=round(px_per_mm, 4),
        scutum_length_px=round(specimen.scutum_length_mm * px_per_mm, 2),
        legs_drawn=len(legs),
        focus_px=round(shot.focus_px, 2),
        motion_px=round(shot.motion_px, 2),
        orientation=shot.orientation,
        quality=shot.quality,
    )
