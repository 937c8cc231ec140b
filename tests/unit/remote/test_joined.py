"""Modules joined to one script: what it does, in a real engine, and what it refuses."""

from __future__ import annotations

import shutil
import subprocess

import pytest

from moontrim.remote.wire.joined import join_modules
from support.effort import missing

MODULES = {
    "page.js": """// The first one.

import "./side.js";
import { Counter, LIMIT as most } from "./counter.js";
import {
  later,
  now,
} from "./time.js";
import { packed } from "./vendor/codec.js";

/**
 * @param {number} by
 */
const counter = new Counter(most);
const text = "from counter"; // stays
/** @type {number} */ (counter.add(2));
const same = /** @type {import("./counter.js").Counter} */ (counter);
console.log(same.value, now(), await_, later.name, text, packed);
""",
    "counter.js": """/* One. */
import { now } from "./time.js";

export const LIMIT = 40;

export class Counter {
  constructor(value) {
    this.value = value;
  }

  add(by) {
    this.value += by * now();
    return this.value;
  }
}
""",
    "time.js": """const value = 1; // of its own
export function now() {
  return value;
}
export async function later() {
  return value;
}
""",
    "side.js": "globalThis.await_ = 'side first';\n",
    "unused.js": "throw new Error();\n",
}
OUTSIDE = {"vendor/codec.js": "data:text/javascript,export const packed = true"}


def test_it_does_what_the_modules_do() -> None:
    node = shutil.which("node")
    if node is None:
        missing("node")
    script = join_modules("page.js", MODULES, OUTSIDE)
    ran = subprocess.run(
        [node, "--input-type=module"], input=script, capture_output=True, text=True, timeout=30
    )
    assert (ran.returncode, ran.stdout) == (0, "42 1 side first later from counter true\n"), ran


def test_each_module_is_in_it_once_and_without_comments() -> None:
    script = join_modules("page.js", MODULES, OUTSIDE)
    assert script.count("class Counter") == script.count("function now") == 1
    assert "unused" not in script and "The first one" not in script and "@param" not in script
    assert script.startswith('import { packed } from "data:')


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (
            {"time.js": 'import { LIMIT } from "./counter.js";\n'},
            "counter.js -> time.js -> counter",
        ),
        ({"time.js": "export default 1;\n"}, "time.js: cannot be joined: export default"),
        ({"time.js": "export let now = 1;\n"}, "cannot be joined: export let"),
        ({"time.js": "const now = 1;\nexport { now };\n"}, "cannot be joined: export {"),
        ({"side.js": 'import * as all from "./time.js";\n'}, "cannot be joined: import *"),
        ({"side.js": 'const late = import("./time.js");\n'}, "cannot be joined: import("),
        ({"side.js": 'import "./gone.js";\n'}, "side.js imports gone.js, which is missing"),
    ],
)
def test_what_cannot_be_joined_is_refused(change: dict[str, str], says: str) -> None:
    with pytest.raises(ValueError, match=says.replace("(", r"\(").replace("*", r"\*")):
        join_modules("page.js", MODULES | change, OUTSIDE)
