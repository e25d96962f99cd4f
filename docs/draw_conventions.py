"""Draws the pictures of conventions.md: run it from the repository's root after changing a convention.

``python docs/draw_conventions.py`` writes docs/pictures/*.svg.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from html import escape
from pathlib import Path

from elbowroom.export.page import MODULES, black_rings
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Loop

Point = tuple[float, float]
Space = tuple[float, float, float]

INK, BLUE, PALE, GREY, RED, GREEN = "#14202c", "#1858a8", "#dbe8f6", "#8494a4", "#b4342d", "#1f7a44"
AXIS_COLOURS = {"x": RED, "y": GREEN, "z": BLUE}


class Picture:
    """An SVG being drawn, y down, in its own pixels."""

    def __init__(self, width: int, height: int, title: str) -> None:
        self.width, self.height, self.title = width, height, title
        self.parts = [f'<rect width="{width}" height="{height}" fill="#ffffff"/>']

    def line(self, *points: Point, colour: str = INK, width: float = 1.6, dash: str = "") -> None:
        """Draw a line through points."""
        places = " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<polyline points="{places}" fill="none" stroke="{colour}" stroke-width="{width}"{dashes}/>'
        )

    def area(self, *points: Point, fill: str = PALE, colour: str = INK, width: float = 1.6) -> None:
        """Fill a polygon."""
        places = " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
        self.parts.append(
            f'<polygon points="{places}" fill="{fill}" stroke="{colour}" stroke-width="{width}"/>'
        )

    def path(self, rings: Sequence[Sequence[Point]], fill: str = INK, colour: str = "none") -> None:
        """Fill rings even-odd."""
        data = " ".join("M" + " L".join(f"{x:.3f} {y:.3f}" for x, y in ring) + " Z" for ring in rings)
        self.parts.append(
            f'<path d="{data}" fill="{fill}" fill-rule="evenodd" stroke="{colour}" stroke-width="1.6"/>'
        )

    def dot(self, at: Point, radius: float = 4.0, colour: str = INK) -> None:
        """Draw a dot."""
        self.parts.append(f'<circle cx="{at[0]:.2f}" cy="{at[1]:.2f}" r="{radius}" fill="{colour}"/>')

    def text(
        self,
        at: Point,
        words: str,
        *,
        size: int = 16,
        colour: str = INK,
        anchor: str = "start",
        bold: bool = False,
    ) -> None:
        """Write one line."""
        weight = ' font-weight="bold"' if bold else ""
        self.parts.append(
            f'<text x="{at[0]:.2f}" y="{at[1]:.2f}" font-family="Helvetica, Arial, sans-serif" font-size="{size}"'
            f' fill="{colour}" text-anchor="{anchor}"{weight}>{escape(words)}</text>'
        )

    def arrow(self, *points: Point, colour: str = INK, width: float = 2.4) -> None:
        """Draw a line through points with a head at its end."""
        (x0, y0), (x1, y1) = points[-2], points[-1]
        turn, head = math.atan2(y1 - y0, x1 - x0), 11.0
        wings = [
            (x1 - head * math.cos(turn + side), y1 - head * math.sin(turn + side)) for side in (0.38, -0.38)
        ]
        foot = (x1 - 0.8 * head * math.cos(turn), y1 - 0.8 * head * math.sin(turn))
        self.line(*points[:-1], foot, colour=colour, width=width)
        self.area((x1, y1), *wings, fill=colour, colour=colour, width=0.5)

    def axes(
        self, at: Callable[[Space], Point], origin: Space, lengths: dict[str, float], shift: float = 13
    ) -> None:
        """Draw named axes from an origin through a view of space."""
        for name, length in lengths.items():
            step = {"x": (length, 0.0, 0.0), "y": (0.0, length, 0.0), "z": (0.0, 0.0, length)}[name[-1]]
            start, end = at(origin), at((origin[0] + step[0], origin[1] + step[1], origin[2] + step[2]))
            self.arrow(start, end, colour=AXIS_COLOURS[name[-1]])
            reach = math.hypot(end[0] - start[0], end[1] - start[1])
            ux, uy = (end[0] - start[0]) / reach, (end[1] - start[1]) / reach
            label = (end[0] + shift * ux, end[1] + shift * uy + 6)
            self.text(label, name, colour=AXIS_COLOURS[name[-1]], anchor="middle", bold=True, size=18)
        self.dot(at(origin))

    def save(self, folder: Path, name: str) -> None:
        """Write the picture."""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width}" height="{self.height}" '
            f'viewBox="0 0 {self.width} {self.height}" role="img"><title>{escape(self.title)}</title>'
        )
        (folder / f"{name}.svg").write_text("\n".join([head, *self.parts, "</svg>", ""]), encoding="utf-8")


def view(origin: Point, x: Point, y: Point, z: Point) -> Callable[[Space], Point]:
    """Return a parallel view of space: where the origin and each axis's unit fall in the picture."""

    def at(p: Space) -> Point:
        return (
            origin[0] + p[0] * x[0] + p[1] * y[0] + p[2] * z[0],
            origin[1] + p[0] * x[1] + p[1] * y[1] + p[2] * z[1],
        )

    return at


def arc(centre: Point, radius: float, start_deg: float, end_deg: float, squash: float = 1.0) -> list[Point]:
    """Return points along an arc, angles counter-clockwise as seen, y down in the picture."""
    steps = 40
    turns = [math.radians(start_deg + (end_deg - start_deg) * k / steps) for k in range(steps + 1)]
    return [(centre[0] + radius * math.cos(t), centre[1] - squash * radius * math.sin(t)) for t in turns]


def draw_world(folder: Path) -> None:
    """World frame set by a datum: plane, direction, origin."""
    p = Picture(760, 400, "World frame from a 3-2-1 datum")
    at = view((230, 290), (1.0, 0.06), (0.52, -0.50), (0.0, -1.0))
    p.area(*(at(c) for c in ((-120, -40, 0), (380, -40, 0), (380, 170, 0), (-120, 170, 0))))
    for c in ((-70, 120, 0), (270, 140, 0), (60, -20, 0)):
        p.dot(at(c), 5, GREY)
    p.text(at((100, 105, 0)), "plane: 3 or more points", colour=GREY)
    p.line(at((0, 0, 0)), at((290, 0, 0)), colour=GREY, dash="6 5")
    p.dot(at((290, 0, 0)), 5, GREY)
    p.text((at((290, 0, 0))[0] - 60, at((290, 0, 0))[1] - 14), "direction: from, to", colour=GREY)
    p.axes(at, (0, 0, 0), {"x": 150, "y": 110, "z": 140})
    p.text((at((0, 0, 0))[0] - 12, at((0, 0, 0))[1] - 6), "origin", anchor="end", colour=INK)
    p.text((24, 36), "World", bold=True, size=20)
    p.text((24, 62), "z = normal of the plane, towards the cameras", colour=INK)
    p.text((24, 84), "x = the direction laid into the plane; y = z × x", colour=INK)
    p.save(folder, "world")


def draw_camera(folder: Path) -> None:
    """Camera frame."""
    p = Picture(760, 330, "Camera frame")
    at = view((210, 200), (0.80, 0.32), (0.0, 1.0), (0.88, -0.30))
    corners = [(-70, -52, 190), (70, -52, 190), (70, 52, 190), (-70, 52, 190)]
    for c in corners:
        p.line(at((0, 0, 0)), at(c), colour=GREY, width=1.0, dash="4 4")
    p.area(*(at(c) for c in corners), fill=PALE)
    p.axes(at, (0, 0, 0), {"x": 80, "y": 90, "z": 330})
    p.dot(at((-70, -52, 190)), 5, RED)
    x, y = at((-70, -52, 190))
    p.text((x - 30, y - 14), "pixel (0, 0)", colour=RED, anchor="middle")
    p.text((at((0, 0, 0))[0] - 20, at((0, 0, 0))[1] - 6), "projection centre", anchor="end")
    p.text((24, 36), "Camera", bold=True, size=20)
    p.text((400, 280), "x right, y down, z forward through the lens,")
    p.text((400, 302), "of the photo as the sensor stored it")
    p.save(folder, "camera")


def draw_pixel(folder: Path) -> None:
    """Pixel centres."""
    p = Picture(760, 345, "Pixel coordinates")
    left, top, cell = 120, 90, 60
    for row in range(3):
        for column in range(5):
            x, y = left + column * cell, top + row * cell
            p.area(
                (x, y),
                (x + cell, y),
                (x + cell, y + cell),
                (x, y + cell),
                fill=PALE if (row + column) % 2 else "#ffffff",
                colour=GREY,
                width=1,
            )
            p.dot((x + cell / 2, y + cell / 2), 2.5, GREY)
    centre = (left + cell / 2, top + cell / 2)
    p.dot(centre, 5, RED)
    p.arrow(centre, (left + 5.7 * cell, centre[1]), colour=RED)
    p.arrow(centre, (centre[0], top + 3.6 * cell), colour=GREEN)
    p.text((left + 5.8 * cell, centre[1] + 6), "u", colour=RED, bold=True, size=18)
    p.text((centre[0], top + 3.95 * cell), "v", colour=GREEN, bold=True, size=18, anchor="middle")
    p.text((centre[0] - 8, centre[1] - 12), "(0, 0)", colour=RED, size=14, anchor="end")
    p.dot((left, top), 4, INK)
    p.text((left - 8, top - 8), "(-0.5, -0.5)", size=14, anchor="end")
    p.text((left + 2.5 * cell + 8, top + 1.5 * cell - 8), "(2, 1)", size=14)
    p.text((24, 36), "Pixels", bold=True, size=20)
    p.text((500, 110), "(0, 0) is the centre of the")
    p.text((500, 132), "top left pixel as stored.")
    p.text((500, 166), "EXIF rotation is for showing")
    p.text((500, 188), "only, never for measuring.")
    p.text((500, 222), "u = f x' + cx, v = f y' + cy")
    p.text((500, 244), "(x', y' after the lens bends them)", size=14, colour=GREY)
    p.save(folder, "pixel")


def draw_target(folder: Path) -> None:
    """Target frame and corner order, on a real pattern."""
    p = Picture(760, 380, "Target frame and corner order")
    left, top, side = 130, 90, 220
    module = side / MODULES
    quiet = module
    p.area(
        *((left + sx, top + sy) for sx, sy in ((-quiet, -quiet), (side + quiet, -quiet), (side + quiet, side + quiet), (-quiet, side + quiet))),
        fill="#ffffff", colour=GREY, width=1,
    )  # fmt: skip
    rings = [[(left + x * module, top + side - y * module) for x, y in ring] for ring in black_rings(7)]
    p.path(rings, fill="#c3cbd3")
    for name, x, y in (("0 tl", 0, 0), ("1 tr", 1, 0), ("2 br", 1, 1), ("3 bl", 0, 1)):
        place = (left + x * side, top + y * side)
        p.dot(place, 5, INK)
        p.text(
            (place[0] + (1.3 if x else -1.3) * quiet, place[1] + (16 if y else -4)),
            name,
            bold=True,
            anchor="start" if x else "end",
        )
    at = view((left + side / 2, top + side / 2), (1, 0), (0, -1), (0, 0))
    p.axes(at, (0, 0, 0), {"x": 85, "y": 85})
    p.parts.append(
        f'<circle cx="{left + side / 2}" cy="{top + side / 2}" r="9" fill="#ffffff" stroke="{BLUE}" stroke-width="2.4"/>'
    )
    p.dot((left + side / 2, top + side / 2), 3.5, BLUE)
    p.text((left + side / 2 - 16, top + side / 2 + 24), "z", colour=BLUE, bold=True, size=18, anchor="end")
    p.line((left, top + side + 44), (left + side, top + side + 44), colour=INK, width=1.2)
    for x in (left, left + side):
        p.line((x, top + side + 37), (x, top + side + 51), width=1.2)
    p.text((left + side / 2, top + side + 64), "side: the black square", anchor="middle", size=14)
    p.text((24, 36), "Target", bold=True, size=20)
    for n, words in enumerate(
        (
            "Origin at the centre of the black square;",
            "x right and y up as printed,",
            "z out of the paper towards the viewer.",
            "Corners go tl, tr, br, bl as printed.",
            "White quiet zone: one module, side / 8,",
            "or more on every side.",
        )
    ):
        p.text((440, 130 + 24 * n), words)
    p.save(folder, "target")


def draw_plate(folder: Path) -> None:
    """Plate frame and flat pattern."""
    p = Picture(760, 370, "Plate frame and flat pattern")
    at = view((90, 260), (0.95, 0.10), (0.46, -0.46), (0.0, -1.0))
    ring: list[Point] = [(0, 0), (190, 0), (190, 60), (150, 120), (40, 120), (0, 60)]
    t = 34
    p.area(*(at((x, y, 0)) for x, y in ring), fill="#b9cfe8")
    for (x0, y0), (x1, y1) in ((ring[0], ring[1]), (ring[1], ring[2])):
        p.area(at((x0, y0, 0)), at((x1, y1, 0)), at((x1, y1, t)), at((x0, y0, t)), fill="#8fb2da")
    p.area(*(at((x, y, t)) for x, y in ring), fill=PALE)
    hole = [
        at((95 + 22 * math.cos(a), 62 + 22 * math.sin(a), t)) for a in [k * math.pi / 20 for k in range(40)]
    ]
    p.area(*hole, fill="#ffffff")
    p.axes(at, (0, 0, 0), {"x": 270, "z": 110})
    p.arrow(at((0, 0, t)), at((0, 150, t)), colour=GREEN, width=2.0)
    p.text((at((0, 150, t))[0] - 4, at((0, 150, t))[1] - 8), "y", colour=GREEN, bold=True, size=18)
    p.text((at((0, 0, 0))[0] - 12, at((0, 0, 0))[1] + 6), "z = 0", size=14, anchor="end")
    p.text((at((0, 0, t))[0] - 12, at((0, 0, t))[1] + 6), "z = t", size=14, anchor="end")
    p.text((24, 36), "Plate", bold=True, size=20)
    p.text((24, 62), "z is the plate's normal; steel lies between 0 and t", size=15)
    flat = view((500, 270), (0.9, 0), (0, -0.9), (0, 0))
    p.area(*(flat((x, y, 0)) for x, y in ring), fill=PALE)
    p.area(
        *(
            flat((95 + 22 * math.cos(a), 62 + 22 * math.sin(a), 0))
            for a in [k * math.pi / 20 for k in range(40)]
        ),
        fill="#ffffff",
    )
    p.axes(flat, (0, 0, 0), {"x": 230, "y": 165})
    p.text((500, 36), "Flat pattern", bold=True, size=20)
    p.text((500, 62), "the same xy, seen from the", size=15)
    p.text((500, 82), "side z points to", size=15)
    p.save(folder, "plate")


def draw_bulge(folder: Path) -> None:
    """Sense of outlines and bulges, drawn by the outline code itself."""
    p = Picture(760, 380, "Outlines and bulges")
    scale, left, base = 2.0, 60, 320
    quarter = math.tan(math.pi / 8)
    loop = Loop(
        vertices_mm=((0, 0), (140, 0), (160, 20), (160, 90), (100, 90), (60, 90), (0, 90)),
        bulges=(0, quarter, 0, 0, -1, 0, 0),
    )
    outline = Outline.of_loop(loop)
    hole = Outline.circle((40, 40), 18)
    rings = [[(left + x * scale, base - y * scale) for x, y in o.flatten(0.02)] for o in (outline, hole)]
    p.path(rings, fill=PALE, colour=INK)
    for n, (x, y) in enumerate(loop.vertices_mm):
        place = (left + x * scale, base - y * scale)
        p.dot(place, 4, BLUE)
        p.text((place[0] + 8, place[1] - 8), str(n), size=14, colour=BLUE)
    p.arrow((left + 110, base), (left + 160, base), colour=BLUE)
    p.arrow((left + 320, base - 80), (left + 320, base - 120), colour=BLUE)
    p.text((left + 250, base - 30), "+0.414", colour=GREEN, bold=True)
    p.text((left + 160, base - 110), "-1", colour=RED, bold=True, anchor="middle")
    for start, end in ((20, 70), (200, 250)):
        p.arrow(*arc((left + 80, base - 80), 24, start, end), colour=GREY, width=1.6)
    p.text((24, 36), "Outlines", bold=True, size=20)
    p.text(
        (24, 62),
        "The outer outline runs counter-clockwise; piece i goes from vertex i to vertex i + 1.",
        size=15,
    )
    words = (
        "bulge = tan(sweep / 4), as in DXF:",
        "0 a line",
        "+ an arc to the left (counter-clockwise),",
        "   0.414 = a quarter turn, 1 = half a circle",
        "- an arc to the right (clockwise): a hollow",
    )
    for n, line in enumerate(words):
        p.text((430, 150 + 26 * n), line, size=15)
    p.save(folder, "bulge")


def draw_turn(folder: Path) -> None:
    """Sense of rotation, and how transforms chain."""
    p = Picture(760, 315, "Rotation sense and transforms")
    p.arrow((150, 250), (150, 70), colour=BLUE)
    p.text((166, 82), "axis", colour=BLUE, bold=True)
    p.line(*arc((150, 160), 80, 0, 360, 0.32), colour=GREY, width=1.0, dash="4 4")
    p.arrow(*arc((150, 160), 80, 200, 335, 0.32), colour=RED)
    p.text((150, 212), "+", colour=RED, bold=True, size=22, anchor="middle")
    p.text((24, 36), "Turning", bold=True, size=20)
    p.text((24, 282), "right-hand rule: counter-clockwise", size=14)
    p.text((24, 300), "looking against the axis", size=14)
    boxes = (("world", 430), ("camera", 560), ("target", 690))
    p.text((560, 72), "world_from_target", size=14, anchor="middle", colour=BLUE)
    p.text((495, 232), "world_from_camera", size=14, anchor="middle")
    p.text((632, 232), "@ camera_from_target", size=14, anchor="middle")
    for name, x in boxes:
        p.area((x - 46, 130), (x + 46, 130), (x + 46, 172), (x - 46, 172), fill=PALE, colour=BLUE)
        p.text((x, 157), name, anchor="middle")
    p.arrow(*arc((625, 174), 55, -12, -168, 0.7), colour=INK)
    p.arrow(*arc((495, 174), 55, -12, -168, 0.7), colour=INK)
    p.arrow(*arc((560, 130), 120, 10, 170, 0.32), colour=BLUE)
    p.text((400, 272), "a_from_b takes coordinates in b to coordinates in a;", size=14)
    p.text((400, 292), "the inner names of a chain must be the same", size=14)
    p.text((420, 36), "Transforms", bold=True, size=20)
    p.save(folder, "turn")


def main() -> None:
    """Draw all pictures."""
    folder = Path(__file__).parent / "pictures"
    folder.mkdir(exist_ok=True)
    for draw in (draw_world, draw_camera, draw_pixel, draw_target, draw_plate, draw_bulge, draw_turn):
        draw(folder)


if __name__ == "__main__":
    main()
