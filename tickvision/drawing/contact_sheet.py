"""Many photographs on one sheet, to look at."""

from collections.abc import Sequence

import cv2
import numpy as np

from tickvision.drawing.textures import Image


def contact_sheet(photos: Sequence[Image], columns: int, cell_px: int = 240, gap_px: int = 6) -> Image:
    """Return the photographs side by side, RGB uint8, each cell_px square, row by row."""
    rows = -(-len(photos) // columns)
    step = cell_px + gap_px
    sheet = np.full((rows * step + gap_px, columns * step + gap_px, 3), 24, np.uint8)
    for k, photo in enumerate(photos):
        top, left = (k // columns) * step + gap_px, (k % columns) * step + gap_px
        small = cv2.resize(photo, (cell_px, cell_px), interpolation=cv2.INTER_AREA)
        sheet[top : top + cell_px, left : left + cell_px] = small
    return sheet
