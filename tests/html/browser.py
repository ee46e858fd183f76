#!/usr/bin/env python3
"""The HTML report in a real browser.

    browser.py LOOPGAUGE AXE_MIN_JS [--shots FOLDER]

Needs chromium, chromedriver and the Python package selenium; AXE_MIN_JS is axe.min.js of the npm package axe-core. Run in the
checkout. Filters, searches, opens a corner, reads values by mouse and by keyboard, holds them against the JSON result, and fails
on any entry of the console, any request, a table that is cut at 390 px, too much paper, and any finding of the accessibility
engine, in light and in dark. The pages of drift and of compare are read and looked at as well.
"""

import argparse
import base64
import json
import math
import pathlib
import re
import subprocess
import tempfile

from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage",
]


def check(holds, text):
    if not holds:
        raise SystemExit(f"browser: {text}")


def start(profile):
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for flag in [*FLAGS, f"--user-data-dir={profile}"]:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    return webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))


def judge(tool, folder):
    """Report and JSON result of the demo."""
    page, result = folder / "report.html", folder / "result.json"
    command = [tool, "check", "demo-data", "--html", page, "--json", result]
    status = subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False).returncode
    check(status == 2, f"check demo-data ends with {status}, wanted 2")
    return page, json.loads(result.read_text())


def corners(result):
    return [(run, corner) for run in result["runs"] for corner in run["corners"]]


def shown_cells(driver):
    script = """return [...document.querySelectorAll('.matrix tbody tr')].filter(r => r.offsetParent)
        .flatMap(r => [...r.cells].slice(4)).filter(c => !c.classList.contains('dim')).length"""
    return driver.execute_script(script)


def press(driver, verdict):
    driver.find_element(By.CSS_SELECTOR, f".chip[data-v=v-{verdict}]").click()


def filters(driver, result):
    wanted = sum(corner["verdict"] == "fail" for _, corner in corners(result))
    press(driver, "fail")
    check(shown_cells(driver) == wanted, f"the filter shows {shown_cells(driver)} cells, the JSON has {wanted} that fail")
    shown = driver.find_element(By.ID, "shown").text
    check(shown.startswith(f"{wanted} corners"), f"the count says {shown!r}")
    press(driver, "fail")
    find = driver.find_element(By.ID, "find")
    find.send_keys("RG-00012 hot")
    wanted = sum(run["serial"] == "RG-00012" and "hot" in corner["corner"] for run, corner in corners(result))
    check(wanted > 0, "the demo has no RG-00012 hot")
    WebDriverWait(driver, 10).until(lambda d: shown_cells(d) == wanted)
    driver.find_element(By.ID, "clear").click()
    check(shown_cells(driver) == len(corners(result)), "after `show all` not everything is shown")


def follows(driver):
    link = driver.find_element(By.CSS_SELECTOR, ".matrix td.v-fail a")
    target = link.get_attribute("href").split("#")[1]
    link.send_keys(Keys.ENTER)
    WebDriverWait(driver, 10).until(lambda d: d.find_element(By.ID, target).is_displayed())
    return driver.find_element(By.ID, target)


def number_before(unit, text):
    found = re.search(r"([\d.]+) " + unit, text.replace("\u2212", "-"))
    check(found, f"no {unit} in {text!r}")
    return float(found[1])


def reads(driver, result, body):
    """At the crossover the gain is 0 dB and the angle is the phase margin of the JSON result."""
    index = body.get_attribute("id")
    run, corner = map(int, index[1:].split("c"))
    measured = result["runs"][run]["corners"][corner]["measured"]
    crossover, margin = measured["crossover_hz"]["value"], measured["phase_margin_deg"]["value"]
    figure = body.find_element(By.CSS_SELECTOR, ".bode")
    area = body.find_element(By.CSS_SELECTOR, ".area")
    output = body.find_element(By.CSS_SELECTOR, "output")
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", figure)
    box = "return arguments[0].querySelector('.lines').getAttribute('viewBox').split(' ').map(Number)"
    left, _, width, _ = driver.execute_script(box, area)
    share = (4000 * math.log10(crossover) - left) / width
    size = area.size
    move = round((share - 0.5) * size["width"])
    ActionChains(driver).move_to_element_with_offset(area, move, 20).perform()
    WebDriverWait(driver, 10).until(lambda d: "gain" in output.text)
    text = output.text
    hz = number_before("kHz", text) * 1e3
    check(abs(hz / crossover - 1) < 0.02, f"the mouse reads at {hz} Hz, wanted {crossover}: {text!r}")
    angle = float(re.search(r"angle (-?[\d.]+) deg", text.replace("\u2212", "-"))[1])
    check(abs(angle - margin) < 3, f"the angle there is {angle}, the margin {margin}")
    check("±" in text, f"no uncertainty in {text!r}")
    focus = figure.find_element(By.CSS_SELECTOR, ".strips")
    focus.send_keys(Keys.HOME)
    first = output.text
    focus.send_keys(Keys.ARROW_RIGHT)
    second = output.text
    check(first != second and "gain" in second, f"the arrow key changes nothing: {first!r}")
    live = output.get_attribute("aria-live") or driver.execute_script("return arguments[0].computedRole", output)
    check(output.tag_name == "output", f"the reading is no live region: {live}")
    return text, second


def accessible(driver, axe, scheme):
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]})
    driver.execute_script(axe)
    found = driver.execute_async_script("const done = arguments[arguments.length - 1]; axe.run(document, {resultTypes: ['violations']}).then(done)")
    for violation in found["violations"]:
        nodes = "; ".join(node["html"][:120] + " " + node.get("failureSummary", "")[:300] for node in violation["nodes"][:3])
        print(f"{scheme}: {violation['id']}: {violation['help']} ({len(violation['nodes'])} nodes): {nodes}")
    check(not found["violations"], f"{len(found['violations'])} accessibility findings in {scheme}")
    print(f"accessibility, {scheme}: {len(found['passes'])} rules pass")


def narrow(driver):
    """At the width of a telephone no table is cut."""
    size = {"width": 390, "height": 1400, "deviceScaleFactor": 1, "mobile": False}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    WebDriverWait(driver, 10).until(lambda d: d.find_elements(By.CSS_SELECTOR, ".matrix.by-row"))
    cut = """return [...document.querySelectorAll('.wide')].filter(e => e.offsetParent && e.scrollWidth > e.clientWidth + 1)
        .map(e => e.getAttribute('aria-label'))"""
    found = driver.execute_script(cut)
    check(not found, f"cut at 390 px: {found}")
    driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def paper(driver, most):
    """How many pages of A4 it takes."""
    data = driver.execute_cdp_cmd("Page.printToPDF", {"paperWidth": 8.27, "paperHeight": 11.69, "printBackground": True})["data"]
    pages = len(re.findall(rb"/Type /Page\b(?!s)", base64.b64decode(data)))
    print(f"paper: {pages} pages")
    check(0 < pages <= most, f"{pages} pages of A4, wanted at most {most}")


def drift(driver, tool, folder):
    """The plot of a series is read group by group, as its table has it."""
    history, page = folder / "history.db", folder / "drift.html"
    for command in (["check", "demo-data", "--record", history], ["drift", "--history", history, "--html", page]):
        subprocess.run([tool, *command], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
    driver.get(page.as_uri())
    box = driver.find_element(By.CSS_SELECTOR, ".plots.drift")
    details = driver.execute_script("const d = arguments[0].closest('details'); d.open = true; return d", box)
    focus, output = box.find_element(By.CSS_SELECTOR, ".strips"), box.find_element(By.CSS_SELECTOR, "output")
    row = details.find_element(By.CSS_SELECTOR, ".f-stats tbody tr")
    focus.send_keys(Keys.HOME)
    for cell in row.find_elements(By.CSS_SELECTOR, "th,td"):
        check(cell.text in output.text, f"{cell.text!r} is not read: {output.text!r}")
    first = output.text
    focus.send_keys(Keys.END)
    check(first != output.text and "mean" in output.text, f"the keys change nothing: {first!r}")
    print(f"drift: {output.text}")


def compare(driver, tool, folder):
    """Two runs over each other: the keys read both curves, and their difference is the one that is told."""
    page = folder / "compare.html"
    sides = ["demo-data/rev-b/RG-00011/river-gauge-5v", "demo-data/rev-c/RG-00021/river-gauge-5v"]
    subprocess.run([tool, "compare", *sides, "--html", page], stdout=subprocess.DEVNULL, check=True)
    driver.get(page.as_uri())
    box = driver.find_element(By.CSS_SELECTOR, "details[open] .plots.pair")
    focus, output = box.find_element(By.CSS_SELECTOR, ".strips"), box.find_element(By.CSS_SELECTOR, "output")
    focus.send_keys(Keys.HOME)
    first = output.text
    focus.send_keys(Keys.ARROW_RIGHT)
    check(first != output.text, f"the arrow key changes nothing: {first!r}")
    found = re.search(r"gain A (\S+) dB, B (\S+) dB, B less A (\S+) dB ± (\S+) dB; angle A (\S+) deg, B (\S+) deg, B less A (\S+) deg ±",
                      output.text.replace("\u2212", "-"))
    check(found, f"not both sides are read: {output.text!r}")
    a, b, change, _, *angles = map(float, found.groups())
    check(abs(b - a - change) < 0.05, f"the difference of the gains is not that of the curves: {output.text!r}")
    check(abs(angles[1] - angles[0] - angles[2]) < 0.2, f"the difference of the angles is not that of the curves: {output.text!r}")
    wide = []
    for width in (1280, 390):
        size = {"width": width, "height": 1400, "deviceScaleFactor": 1, "mobile": False}
        driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        wide.append(driver.execute_script("return document.documentElement.scrollWidth"))
    driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    check(wide[0] <= 1280 and wide[1] <= 390, f"the page is {wide} px wide on screens of 1280 and 390")
    print(f"compare: {output.text}")


def quiet(driver, page):
    entries = driver.get_log("browser")
    check(not entries, f"the console has {entries}")
    for entry in driver.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            url = message["params"]["request"]["url"]
            own = url.split("#")[0] == page.as_uri() or url in ("data:,", "about:blank")
            check(own, f"the page asks for {url}")


def shots(driver, folder):
    folder.mkdir(parents=True, exist_ok=True)
    for scheme in ("light", "dark"):
        driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]})
        for width in (1280, 400):
            driver.execute_cdp_cmd(
                "Emulation.setDeviceMetricsOverride",
                {"width": width, "height": 1400, "deviceScaleFactor": 1, "mobile": False},
            )
            places = {"top": "document.querySelector('header')", "corner": "document.querySelector('.body .bode')?.closest('.corner')"}
            for name, place in places.items():
                driver.execute_script(
                    f"const e = {place}; const d = e.querySelector('details'); if (d) d.open = true; e.scrollIntoView()"
                )
                (folder / f"{name}-{width}-{scheme}.png").write_bytes(driver.get_screenshot_as_png())
            wide = driver.execute_script("return document.documentElement.scrollWidth")
            check(wide <= width, f"the page is {wide} px wide on a screen of {width}")
    driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    for name, size in (("a4", (8.27, 11.69)), ("letter", (8.5, 11.0))):
        paper = {"paperWidth": size[0], "paperHeight": size[1], "printBackground": True, "preferCSSPageSize": False}
        data = driver.execute_cdp_cmd("Page.printToPDF", paper)["data"]
        (folder / f"print-{name}.pdf").write_bytes(base64.b64decode(data))


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("tool", type=pathlib.Path)
    parser.add_argument("axe", type=pathlib.Path)
    parser.add_argument("--shots", type=pathlib.Path)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        page, result = judge(arguments.tool.resolve(), folder)
        driver = start(folder / "profile")
        try:
            driver.set_window_size(1280, 1400)
            # What the browser's own first page asked for does not count.
            driver.get("about:blank")
            driver.get_log("performance")
            driver.get(page.as_uri())
            filters(driver, result)
            body = follows(driver)
            mouse, keys = reads(driver, result, body)
            print(f"mouse: {mouse}\nkeys:  {keys}")
            quiet(driver, page)
            if arguments.shots:
                shots(driver, arguments.shots)
            narrow(driver)
            paper(driver, 15)
            driver.set_script_timeout(300)
            for scheme in ("light", "dark"):
                accessible(driver, arguments.axe.read_text(), scheme)
            drift(driver, arguments.tool.resolve(), folder)
            for scheme in ("light", "dark"):
                accessible(driver, arguments.axe.read_text(), scheme)
            compare(driver, arguments.tool.resolve(), folder)
            paper(driver, 8)
            for scheme in ("light", "dark"):
                accessible(driver, arguments.axe.read_text(), scheme)
        finally:
            driver.quit()
    print("browser: all is well")


if __name__ == "__main__":
    main()
