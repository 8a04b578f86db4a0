"""A scripted person at the drawing page: mouse or thumb, clicks and typed fields counted."""

import time
from pathlib import Path

from PIL import Image, ImageDraw

from tests.chromium import css

#: A plan of a yard, 1,200 by 900 pixels; a pixel is 2.5 cm, so 30 by 22.5 m [pixels].
PIXEL_M = 0.025
PLAN = {
    "boundary": [(40, 40), (1160, 40), (1160, 860), (40, 860)],
    "house": [(420, 300), (820, 300), (820, 560), (420, 560)],
    "front": [(80, 600), (700, 600), (700, 820), (80, 820)],
    "side": [(80, 80), (380, 80), (380, 520), (80, 520)],
    "bed": [(860, 300), (1110, 300), (1110, 560), (860, 560)],
}
TREES = [((960, 700), 70), ((560, 160), 60)]
CONTROLLER = (822, 480)
SCALE_BAR = ((40, 880), (1160, 880))  # 28 m


def draw_plan(path: Path) -> Path:
    image = Image.new("RGB", (1200, 900), "#f3efe4")
    pen = ImageDraw.Draw(image)
    for name, corners in PLAN.items():
        fill = {"house": "#b9b4ab", "boundary": None}.get(name, "#cfe0b8")
        pen.polygon(corners, fill=fill, outline="#333333", width=2)
    for (x, y), r in TREES:
        pen.ellipse((x - r, y - r, x + r, y + r), outline="#336633", width=3)
    pen.line(SCALE_BAR, fill="#000000", width=4)
    pen.text((580, 884), "28 m", fill="#000000")
    image.save(path)
    return path


#: Where a pixel of the traced picture is on the screen.
ON_SCREEN = (
    "const a = State.now.picture.at, [u, v] = arguments[0];"
    "return Page.onScreen([a[0]*u + a[2]*v + a[4], a[1]*u + a[3]*v + a[5]])"
)


class Person:
    """Someone at the page; clicks, fields typed in and seconds are counted."""

    def __init__(self, driver, *, thumb=False):
        self.driver, self.thumb = driver, thumb
        self.clicks = self.typed = 0
        self.began = time.monotonic()

    def js(self, script, *values):
        return self.driver.execute_script(script, *values)

    def at(self, x, y):
        """Press a place of the screen."""
        self.clicks += 1
        cdp = self.driver.execute_cdp_cmd
        if self.thumb:
            point = [{"x": x, "y": y}]
            cdp("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": point})
            cdp("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        else:
            where = {"x": x, "y": y, "button": "left", "clickCount": 1}
            cdp("Input.dispatchMouseEvent", {"type": "mouseMoved", "x": x, "y": y})
            cdp("Input.dispatchMouseEvent", {"type": "mousePressed", **where})
            cdp("Input.dispatchMouseEvent", {"type": "mouseReleased", **where})

    def press(self, selector):
        """Press a button or another element, scrolled to where it can be seen."""
        see = "document.querySelector(arguments[0]).scrollIntoView"
        self.js(see + "({block: 'center', inline: 'center'})", selector)
        box = self.js("const r = document.querySelector(arguments[0]).getBoundingClientRect();"
                      "return [r.left + r.width / 2, r.top + r.height / 2]", selector)  # fmt: skip
        self.at(*box)

    def fill(self, name, value, within="#panel"):
        """Fill in a field of a form as a person does: focus, type or choose, go on."""
        self.typed += 1
        found = self.js(
            "const f = document.querySelector(`${arguments[0]} [data-field='${arguments[1]}']`);"
            "if (!f) return null; const more = f.closest('details:not([open]) > .field');"
            "if (more) more.parentElement.open = true; f.scrollIntoView({block: 'center'});"
            "f.focus(); return f.tagName", within, name)  # fmt: skip
        assert found, f"no field {name}"
        [field] = css(self.driver, f"{within} [data-field='{name}']")
        if found == "SELECT":
            taken = self.js("arguments[0].value = arguments[1]; const taken = arguments[0].value;"
                            "arguments[0].dispatchEvent(new Event('change')); return taken",
                            field, value)  # fmt: skip
            assert taken == value, f"{name} has no choice {value}"
        else:
            field.clear()
            field.send_keys(str(value))
            self.js("document.activeElement.blur()")

    def pixel(self, pixel):
        """Press a place of the traced picture."""
        self.at(*self.js(ON_SCREEN, pixel))

    def look(self, corners):
        """With a thumb on a small screen: zoom in, and drag what is to be traced to the middle."""
        if not self.thumb:
            return
        self.press("#closer")
        [u, v] = [sum(p) / len(corners) for p in zip(*corners, strict=True)]
        x, y = self.js(ON_SCREEN, [u, v])
        left, top, wide, high = self.js(
            "const r = document.getElementById('map').getBoundingClientRect();"
            "return [r.left, r.top, r.width, r.height]"
        )
        way = (left + wide / 2 - x, top + high / 2 - y)
        touch = (left + wide / 2 - way[0] / 2, top + high / 2 - way[1] / 2)
        cdp = self.driver.execute_cdp_cmd
        for step in range(9):
            point = {"x": touch[0] + way[0] * step / 8, "y": touch[1] + way[1] * step / 8}
            kind = "touchMove" if step else "touchStart"
            cdp("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [point]})
        cdp("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        self.clicks += 1
        before = None  # the map comes to rest
        while before != (before := self.js(ON_SCREEN, corners[0])):
            time.sleep(0.1)

    def trace(self, kind, corners):
        if kind in ("building", "zone"):
            self.look(corners)
        self.press(f"[data-kind='{kind}']")
        for corner in corners:
            self.pixel(corner)
        if len(corners) > 2:
            self.press("#finish")
        self.wait(f"State.now.things.some((t) => t.kind === '{kind}')")
        if self.thumb and kind in ("building", "zone"):
            self.press("#whole")

    def wait(self, condition, seconds=60):
        end = time.monotonic() + seconds
        while not self.js(f"return !!({condition})"):
            assert time.monotonic() < end, f"waited for {condition}"
            time.sleep(0.02)

    def choose_files(self, *paths):
        self.clicks += 1
        [box] = css(self.driver, "#file")
        box.send_keys("\n".join(str(path) for path in paths))

    def tell(self):
        return self.js("return document.getElementById('said').textContent")

    def left(self):
        """What must still be told."""
        return self.js(
            "return [...document.querySelectorAll('#todo .need')].map((b) => b.textContent)"
        )


def draw_yard(person, plan):
    """Draw the yard of the plan, from the picture to a saved file."""
    person.choose_files(plan)
    person.wait("State.now.picture")
    person.press("#scale")
    for end in SCALE_BAR:
        person.pixel(end)
    person.fill("known", 28, "#known")
    person.wait("State.now.picture.scaled")
    person.trace("boundary", PLAN["boundary"])
    person.trace("building", PLAN["house"])
    person.fill("levels", 2, "#form")
    for name, plants, valve_minutes in (
        ("front", "cool_season_turf", 20), ("side", "cool_season_turf", 25), ("bed", "shrubs", 15),
    ):  # fmt: skip
        person.trace("zone", PLAN[name])
        person.wait("document.querySelector('#form [data-field=plants]')")
        person.fill("zone", name.title(), "#form")
        person.fill("plants", plants, "#form")
        person.fill("minutes", valve_minutes, "#form")
    for (x, y), r in TREES:
        person.trace("tree", [(x, y), (x + r, y)])
    person.trace("controller", [CONTROLLER])
    person.js("document.getElementById('told-place').open = true")
    person.fill("lat", 40.02)
    person.fill("lon", -105.27)
    person.js("document.getElementById('told-timer').open = true")
    for day in ("Mon", "Wed", "Fri"):
        person.press(f"[data-field='day-{day}']")


def tell_weather(person, file):
    """Let a weather file travel with the drawing."""
    person.js("document.getElementById('told-weather').open = true")
    person.fill("way", "file")
    person.clicks += 1
    [box] = css(person.driver, "[data-field='weather-file']")
    box.send_keys(str(file))
    person.wait("State.now.told.weather.text")
