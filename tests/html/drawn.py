#!/usr/bin/env python3
"""How long a browser needs for a page.

    drawn.py PAGE… [--budget SECONDS]

Needs chromium, chromedriver and the Python package selenium. Prints size, time until the document is parsed, until the first
frame with text and until two frames after the page has loaded; the median of three new tabs. With --budget it fails beyond it.
"""

import argparse
import pathlib
import statistics
import tempfile
import time

from browser import start

FRAMES = """const done = arguments[arguments.length - 1];
requestAnimationFrame(() => requestAnimationFrame(() => {
  const t = performance.getEntriesByType('navigation')[0];
  const paint = performance.getEntriesByName('first-contentful-paint')[0];
  done([t.domInteractive, paint ? paint.startTime : null, performance.now(),
        document.querySelectorAll('*').length]);
}));"""


def measure(driver, page):
    driver.get("about:blank")
    begin = time.monotonic()
    driver.get(page.resolve().as_uri())
    parsed, painted, drawn, elements = driver.execute_async_script(FRAMES)
    return parsed, painted or drawn, drawn, (time.monotonic() - begin) * 1e3, elements


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("pages", type=pathlib.Path, nargs="+")
    parser.add_argument("--budget", type=float)
    arguments = parser.parse_args()
    late = False
    for page in arguments.pages:
        with tempfile.TemporaryDirectory() as profile:
            driver = start(profile)
            try:
                driver.set_script_timeout(120)
                driver.set_window_size(1280, 1000)
                rounds = [measure(driver, page) for _ in range(3)]
            finally:
                driver.quit()
        parsed, painted, drawn, whole, elements = (statistics.median(column) for column in zip(*rounds))
        size = page.stat().st_size / 1e6
        print(f"{page.name}: {size:.2f} MB, {elements:.0f} elements; parsed {parsed:.0f} ms, first text {painted:.0f} ms, "
              f"drawn {drawn:.0f} ms, with the driver {whole:.0f} ms")
        late |= arguments.budget is not None and drawn > 1e3 * arguments.budget
    if late:
        raise SystemExit("drawn: beyond the budget")


if __name__ == "__main__":
    main()
