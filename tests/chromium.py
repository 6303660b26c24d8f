"""A Chromium that tests drive through the DevTools protocol: type, press keys, drag, look, listen to the console."""

from __future__ import annotations

import base64
import json
import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.request import ProxyHandler, build_opener

import pytest
import websocket

from labcalc.errors import WorkbookError
from labcalc.workbooks.pdf import find_browser
from tests.alone import alone

try:
    BROWSER = find_browser()
except WorkbookError:
    BROWSER = ""

needs_chromium = pytest.mark.skipif(not BROWSER, reason="no Chromium, Chrome or Edge is installed")

NO_TIME = "[anywidget] Failed to initialize model."

_QUIET = ["--headless=new", "--disable-gpu", "--no-first-run", "--disable-sync", "--disable-background-networking"]
_QUIET += ["--disable-component-update", "--disable-extensions", "--no-default-browser-check"]
_KEYS = {
    "Tab": 9, "Enter": 13, "Escape": 27, " ": 32, "End": 35, "Home": 36,
    "ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40,
}  # fmt: skip
_CTRL, _SHIFT = 2, 8


class Tab:
    """One tab of the browser."""

    def __init__(self, address: str) -> None:
        self._socket = websocket.create_connection(address, suppress_origin=True, timeout=180)
        self._asked = 0
        self.complaints: list[str] = []
        """What the console said in anger; but not that a control had less than two seconds, which mends itself."""
        for room in ("Page", "Runtime", "Log", "Network"):
            self.ask(f"{room}.enable")

    def close(self) -> None:
        self._socket.close()

    def ask(self, method: str, **words: Any) -> dict[str, Any]:
        """Send one command and wait for its answer."""
        self._asked += 1
        self._socket.send(json.dumps({"id": self._asked, "method": method, "params": words}))
        while True:
            said = json.loads(self._socket.recv())
            if said.get("id") == self._asked:
                assert "error" not in said, f"{method}: {said['error']['message']}"
                answer: dict[str, Any] = said["result"]
                return answer
            self._listen(said)

    def _listen(self, said: dict[str, Any]) -> None:
        words = said.get("params", {})
        if NO_TIME in str(words):
            return
        match said.get("method"):
            case "Runtime.consoleAPICalled" if words["type"] in ("error", "assert"):
                self.complaints.append(" ".join(str(a.get("value", a.get("description"))) for a in words["args"]))
            case "Runtime.exceptionThrown":
                about = words["exceptionDetails"]
                self.complaints.append(str(about.get("exception", {}).get("description", about["text"])))
            case "Log.entryAdded" if words["entry"]["level"] == "error":
                self.complaints.append(f"{words['entry']['text']} {words['entry'].get('url', '')}")

    def go(self, address: str) -> None:
        self.ask("Page.navigate", url=address)

    def run(self, script: str) -> Any:
        """Return the value of a JavaScript expression."""
        answer = self.ask("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, f"{script}: {answer['exceptionDetails']}"
        return answer["result"].get("value")

    def wait(self, script: str, seconds: float = 180.0) -> Any:
        """Wait until an expression is true, and return it."""
        ends = time.monotonic() + seconds
        while time.monotonic() < ends:
            if value := self.run(f"(found => found instanceof Node || found)({script})"):
                return value
            time.sleep(0.05)
        raise AssertionError(f"not within {seconds:g} s: {script}; the page says: {self.text()[-600:]}")

    def text(self) -> str:
        return str(self.run("document.body.innerText"))

    def press(self, key: str, *, ctrl: bool = False, shift: bool = False, times: int = 1) -> None:
        """Press a key as a hand does."""
        held = _CTRL * ctrl + _SHIFT * shift
        code = _KEYS.get(key, ord(key.upper()[0]))
        words: dict[str, Any] = {"key": key, "windowsVirtualKeyCode": code, "modifiers": held}
        words["code"] = key if len(key) > 1 else "Space" if key == " " else f"Key{key.upper()}"
        text = "\r" if key == "Enter" else key if len(key) == 1 and not ctrl else ""
        for _ in range(times):
            self.ask("Input.dispatchKeyEvent", type="keyDown" if text else "rawKeyDown", text=text, **words)
            self.ask("Input.dispatchKeyEvent", type="keyUp", **words)

    def type(self, text: str) -> None:
        for letter in text:
            self.ask("Input.dispatchKeyEvent", type="char", text=letter)

    def centre(self, script: str) -> tuple[float, float]:
        """Scroll an element into view and return its middle, once it has come to rest.

        The wheel is turned as by a hand: a page that holds itself at its top until somebody reads lets go.
        """
        before: list[float] = []
        self.ask("Input.dispatchMouseEvent", type="mouseWheel", x=600, y=500, deltaX=0, deltaY=1)
        for _ in range(100):
            self.run(f"{script}.scrollIntoView({{block: 'center'}})")
            now = self.run(f"(b => [b.x + b.width / 2, b.y + b.height / 2])({script}.getBoundingClientRect())")
            if now == before:
                return float(now[0]), float(now[1])
            before = now
            time.sleep(0.05)
        raise AssertionError(f"it doesn't come to rest: {script}")

    def click(self, script: str) -> None:
        """Click on an element, once the pointer is on it: what comes late above it moves it on."""
        for _ in range(50):
            x, y = self.centre(script)
            self.ask("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)
            if self.run(f"{script}.contains(document.elementFromPoint({x}, {y}))"):
                break
        else:
            raise AssertionError(f"the pointer doesn't come upon it: {script}")
        for kind in ("mousePressed", "mouseReleased"):
            self.ask("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def drag(self, script: str, by: float) -> None:
        """Drag from the middle of an element to the right, in small steps."""
        x, y = self.centre(script)
        self.ask("Input.dispatchMouseEvent", type="mousePressed", x=x, y=y, button="left", clickCount=1)
        for step in range(1, 11):
            self.ask("Input.dispatchMouseEvent", type="mouseMoved", x=x + by * step / 10, y=y, button="left", buttons=1)
        self.ask("Input.dispatchMouseEvent", type="mouseReleased", x=x + by, y=y, button="left", clickCount=1)

    def picture(self, to: Path) -> None:
        to.write_bytes(base64.b64decode(self.ask("Page.captureScreenshot", format="png")["data"]))


@contextmanager
def chromium(profile: Path, width: int = 1280, height: int = 900) -> Iterator[Tab]:
    """Start a browser with a profile of its own; end it, and only it."""
    command = [BROWSER, *_QUIET, f"--user-data-dir={profile}", f"--window-size={width},{height}"]
    command += ["--remote-debugging-port=0", *(["--no-sandbox"] if os.geteuid() == 0 else []), "about:blank"]
    with alone(), _running(command) as process:
        tab = Tab(_address(profile / "DevToolsActivePort", process))
        tab.ask("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)
        try:
            yield tab
        finally:
            tab.close()


@contextmanager
def _running(command: list[str]) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _address(port_file: Path, process: subprocess.Popen[bytes]) -> str:
    """Return the address of the first tab, as soon as the browser has written its port down."""
    ask, ends = build_opener(ProxyHandler({})), time.monotonic() + 180.0
    while time.monotonic() < ends:
        assert process.poll() is None, "the browser has ended"
        if port_file.is_file() and (lines := port_file.read_text().split()):
            with ask.open(f"http://127.0.0.1:{lines[0]}/json", timeout=60) as answer:
                tabs = [one for one in json.load(answer) if one["type"] == "page"]
            if tabs:
                return str(tabs[0]["webSocketDebuggerUrl"])
        time.sleep(0.05)
    raise AssertionError("the browser has not said where it listens")
