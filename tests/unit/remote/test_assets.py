"""The page's files: names with digests, what a page loads and in which order, and its icons."""

from __future__ import annotations

import base64
import hashlib
import io
import json
import re
from functools import cache

import numpy as np
from PIL import Image

from moontrim.remote.wire import assets
from moontrim.remote.wire.addresses import Gateway
from moontrim.remote.wire.assets import ALL_STATIONS, STATION, Assets, load_assets
from moontrim.remote.wire.icon import BACKGROUND, MOON, TRACE, icon_png, icon_svg

FIRST_WINDOW = 10 * 1460  # bytes that TCP sends before the first answer (RFC 6928)


@cache
def loaded() -> Assets:
    return load_assets(Gateway("127.0.0.1", 1, None, False, "moontrim", "north"))


def front(which: str, name: str = "north") -> str:
    return loaded().page(which, name).body.decode()


def links(which: str) -> list[str]:
    """What a page links to at its server, in order."""
    return re.findall(r'(?:href|src)="/static/([^"]+)"', front(which))


def test_every_link_is_to_a_file_that_never_changes() -> None:
    for which in (STATION, ALL_STATIONS):
        assert "{{" not in front(which)
        assert len(links(which)) > 5
        assert set(links(which)) <= loaded().lasting
    for name in loaded().lasting:
        stem, digest, kind = name.rsplit(".", 2)
        assert loaded().named[name] is loaded().named[f"{stem}.{kind}"]
        body = loaded().named[name].body
        assert hashlib.sha256(body).hexdigest().startswith(digest)


def test_a_page_is_one_script_and_the_codec() -> None:
    """Nothing is found out only when something before has come."""
    for which, entry in ((STATION, "page"), (ALL_STATIONS, "all")):
        scripts = re.findall(r'<script src="/static/([^"]+)" type="module">', front(which))
        (script,) = scripts
        assert script.startswith(f"joined/{entry}.")
        text = loaded().named[script].body.decode()
        imports = re.findall(r'^import [^\n]*"/static/([^"]+)";$', text, re.MULTILINE)
        preloaded = re.findall(r'rel="modulepreload" href="/static/([^"]+)"', front(which))
        assert imports == preloaded
        assert "class Link" in text


def test_scripts_in_the_page_are_allowed_by_their_digest() -> None:
    for which in (STATION, ALL_STATIONS):
        scripts = re.findall(r"<script>(.*?)</script>", front(which), re.DOTALL)
        assert scripts
        for script in scripts:
            digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
            assert f"'sha256-{digest}'" in loaded().inline_scripts
    assert "new WebSocket" in front(STATION)


def test_another_station_and_nothing_but_its_name() -> None:
    assert 'data-name="south" data-home="north"' in front(STATION, "south")
    assert "&lt;b&gt;" in front(STATION, "<b>")


def test_everything_fits_the_first_windows() -> None:
    """So that each file takes two round trips at most: the window doubles."""
    files = [*loaded().named.values(), loaded().page(STATION, "north")]
    for file in files:
        if file.kind in ("text/html", "text/css", "text/javascript"):
            assert len(file.packed or file.body) + 600 < 3 * FIRST_WINDOW, file.body[:80]


# --- icons ----------------------------------------------------------------------------------------


def colours(side: int) -> dict[str, int]:
    """How many pixels of the PNG have each colour of the icon."""
    picture = Image.open(io.BytesIO(icon_png(side)))
    assert (picture.format, picture.size, picture.mode) == ("PNG", (side, side), "RGB")
    pixels = np.asarray(picture)
    return {
        colour: int((pixels == [int(colour[at : at + 2], 16) for at in (1, 3, 5)]).all(2).sum())
        for colour in (BACKGROUND, MOON, TRACE)
    }


def test_icons_show_all_that_is_drawn() -> None:
    for side in assets.ICON_SIDES:
        counts = colours(side)
        assert all(count > 0.015 * side * side for count in counts.values()), counts
        assert sum(counts.values()) > 0.93 * side * side, "little but pure colours"
        picture = np.asarray(Image.open(io.BytesIO(icon_png(side))))
        y, x = np.mgrid[0:side, 0:side] + 0.5 - side / 2.0
        outside = np.hypot(x, y) > 0.4 * side + 1.0
        edge = picture[outside]
        assert (edge == picture[0, 0]).all(), "all of it is in the disc that no mask cuts"
    assert icon_svg().count("<circle") == 2 and "polyline" in icon_svg()


def test_the_manifest_leads_to_the_icons() -> None:
    manifest = json.loads(loaded().named["manifest.webmanifest"].body)
    assert (manifest["display"], manifest["short_name"]) == ("standalone", "north")
    for icon in manifest["icons"]:
        file = loaded().named[icon["src"].removeprefix("/static/")]
        assert file.kind == icon["type"]
        if icon["sizes"] != "any":
            size = Image.open(io.BytesIO(file.body)).size
            assert icon["sizes"] == f"{size[0]}x{size[1]}"
