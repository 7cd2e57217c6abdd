"""What lens, sensor and hand do to the picture."""

import cv2
import numpy as np

from tickvision.drawing.canvas import Light
from tickvision.drawing.submitter import Submitter
from tickvision.drawing.textures import Image, Rng, sample


def lamp(submitter: Submitter, rng: Rng) -> Light:
    """Return the lamp of one photograph."""
    angle, slope = rng.uniform(0, 2 * np.pi), rng.uniform(0.35, 0.85)
    if submitter.is_ring_lit:
        slope = rng.uniform(0.75, 0.95)
    flat = float(np.sqrt(1 - slope * slope))
    warm = submitter.warmth + rng.normal(0, 0.02)
    ambient = float(np.clip(submitter.ambient + rng.normal(0, 0.06), 0.25, 0.8))
    return Light(
        towards=(flat * float(np.cos(angle)), flat * float(np.sin(angle)), float(slope)),
        strength=float(1.25 - ambient) * float(rng.uniform(0.92, 1.12)),
        ambient=ambient,
        colour=(float(1 + warm), 1.0, float(1 - 1.3 * warm)),
        gloss=float(rng.uniform(0.25, 1.0)),
        is_ring=submitter.is_ring_lit,
    )


def expose(image: Image, submitter: Submitter, light: Light, rng: Rng) -> Image:
    """Return the picture with falling light, vignette and colour cast."""
    size = image.shape[0]
    axis = np.linspace(-1, 1, 40, dtype=np.float32)
    east, south = axis[None, :], axis[:, None]
    tilt = 0.0 if light.is_ring else float(rng.uniform(0.02, 0.16))
    gain = 1 + np.float32(tilt) * (np.float32(light.towards[0]) * east + np.float32(light.towards[1]) * south)
    gain = gain * (1 - np.float32(submitter.vignette * 0.55) * (east * east + south * south) / 1.4)
    exposure = float(np.clip(rng.normal(1.0, 0.09), 0.76, 1.24))
    cast = np.array(light.colour, np.float32)
    field = (gain[..., None] * cast * np.float32(exposure)).astype(np.float32)
    field = cv2.resize(field, (size, size), interpolation=cv2.INTER_LINEAR)
    out = cv2.multiply(image, field, dtype=cv2.CV_8U)
    if submitter.device == "microscope" and submitter.pattern == 5:
        out = _round_field(np.asarray(out, np.uint8), rng)
    return np.asarray(out, np.uint8)


def _round_field(image: Image, rng: Rng) -> Image:
    """Darken outside the round field of an eyepiece."""
    size = image.shape[0]
    small = np.full((80, 80), 14, np.uint8)
    cv2.circle(small, (40 * 16, 40 * 16), int(rng.uniform(41, 48) * 16), 255, -1, cv2.LINE_AA, 4)
    mask = cv2.resize(cv2.GaussianBlur(small, (0, 0), 1.2), (size, size), interpolation=cv2.INTER_CUBIC)
    return np.asarray(cv2.multiply(image, cv2.merge([mask, mask, mask]), scale=1 / 255), np.uint8)


def blur(image: Image, focus_px: float, motion_px: float, angle: float) -> Image:
    """Return the picture out of focus by focus_px (sigma) and dragged by motion_px."""
    out = image
    if focus_px > 4:  # wide blurs on a quarter of the pixels look the same and cost a tenth
        small = cv2.resize(out, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
        small = cv2.GaussianBlur(small, (0, 0), focus_px / 4)
        out = np.asarray(cv2.resize(small, (image.shape[1], image.shape[0]), interpolation=cv2.INTER_CUBIC), np.uint8)
    elif focus_px > 0.35:
        wide = 2 * int(np.ceil(2.2 * focus_px)) + 1
        out = np.asarray(cv2.GaussianBlur(out, (wide, wide), focus_px), np.uint8)
    if motion_px > 1.5:
        reach = int(np.ceil(motion_px / 2)) + 1
        kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.uint8)
        step = np.array([np.cos(angle), np.sin(angle)]) * motion_px / 2
        ends = np.asarray((np.stack([-step, step]) + reach) * 16, np.int32)
        cv2.polylines(kernel, [ends], False, 255, 1, cv2.LINE_AA, 4)
        out = np.asarray(cv2.filter2D(out, -1, kernel.astype(np.float32) / kernel.sum()), np.uint8)
    return out


def sense(image: Image, submitter: Submitter, rng: Rng) -> Image:
    """Return the picture with the sensor's contrast and noise; grey and colour grains are drawn apart."""
    strength = submitter.noise * float(rng.uniform(0.7, 1.3)) / 42
    shape = (image.shape[0], image.shape[1])
    shared = sample("grain", shape, rng)
    grains = cv2.merge([_mix(shared, sample("grain", shape, rng)) for _ in range(3)])
    contrast = submitter.contrast
    offset = 128 * (1 - contrast) + float(rng.normal(0, 4)) - 128 * strength
    out = cv2.addWeighted(image, contrast, grains, strength, offset)
    return np.asarray(out, np.uint8)


def _mix(a: Image, b: Image) -> Image:
    return np.asarray(cv2.addWeighted(a, 0.7, b, 0.5, -0.2 * 128), np.uint8)
