"""JupyterLab with a headless browser on it, for tests and for the pictures of the docs; nothing keeps running."""

import contextlib
import json
import os
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

CHROMIUM = next((p for p in ("/usr/bin/chromium", "/usr/bin/chromium-browser") if Path(p).exists()), None)
NO_CHROMIUM = "no chromium on this machine (.ci/run installs it)"
ROOT = Path(__file__).parents[2]
SETTINGS = {
    # No pop-up about news between the reader and the page, and every cell in the page at once.
    "@jupyterlab/apputils-extension/notification": {"fetchNews": "false", "checkForUpdates": False},
    "@jupyterlab/notebook-extension/tracker": {"windowingMode": "none"},
}


def workshop(folder, logs=None):
    """Copy notebooks and demo into a folder as they lie in the tree, with the demo's logs or these in their place."""
    shutil.copytree(ROOT / "notebooks", folder / "notebooks", ignore=shutil.ignore_patterns(".*"))
    shutil.copytree(ROOT / "templates", folder / "templates", ignore=shutil.ignore_patterns(".*"))
    demo = folder / "demo" / "chart-table"
    demo.mkdir(parents=True)
    for name in ("campaign.yaml", "runs.csv"):
        shutil.copy(ROOT / "demo" / "chart-table" / name, demo / name)
    shutil.copytree(logs, demo / "logs")
    return folder


@contextlib.contextmanager
def lab(folder):
    """Serve a folder on the loopback with a token; yield the address of the tree and the token."""
    home = folder / ".home"
    for name, content in SETTINGS.items():
        path = home / "settings" / f"{name}.jupyterlab-settings"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(content), encoding="utf-8")
    token = secrets.token_hex(16)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [
        sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1", f"--port={port}", "--port-retries=0",
        f"--IdentityProvider.token={token}", f"--ServerApp.root_dir={folder}", "--ServerApp.log_level=ERROR",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        *(["--allow-root"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []),
    ]  # fmt: skip
    own = {
        "HOME": home, "JUPYTER_CONFIG_DIR": home, "JUPYTER_RUNTIME_DIR": home / "runtime",
        "IPYTHONDIR": home / "ipython", "JUPYTERLAB_SETTINGS_DIR": home / "settings",
        "JUPYTERLAB_WORKSPACES_DIR": home / "workspaces",
    }  # fmt: skip
    env = os.environ | {name: str(path) for name, path in own.items()}
    with (folder / ".lab.log").open("wb") as log:
        server = subprocess.Popen(command, cwd=folder, env=env, stdout=log, stderr=log, start_new_session=True)
    try:
        _wait_for(f"http://127.0.0.1:{port}/api/status?token={token}", server, folder / ".lab.log")
        yield f"http://127.0.0.1:{port}", token
    finally:
        with contextlib.suppress(OSError):
            _stop_kernels(f"http://127.0.0.1:{port}", token)
        with contextlib.suppress(ProcessLookupError):
            server.send_signal(signal.SIGTERM)
        try:
            server.wait(timeout=10)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()


def _wait_for(address, server, log):
    deadline = time.monotonic() + 45
    while time.monotonic() < deadline and server.poll() is None:
        with contextlib.suppress(OSError), urllib.request.urlopen(address, timeout=2):
            return
        time.sleep(0.1)
    raise RuntimeError(f"JupyterLab did not start:\n{log.read_text(encoding='utf-8', errors='replace')[-2000:]}")


def _stop_kernels(address, token):
    kernels = json.load(urllib.request.urlopen(f"{address}/api/kernels?token={token}", timeout=5))
    for kernel in kernels:
        request = urllib.request.Request(f"{address}/api/kernels/{kernel['id']}?token={token}", method="DELETE")
        urllib.request.urlopen(request, timeout=10).close()


def processes_of(folder):
    """Return the command lines of processes that name this folder; Linux only."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            words = path.read_bytes().replace(b"\0", b" ").decode("utf-8", "replace")
            if str(folder) in words and int(path.parts[2]) != os.getpid():
                found.append(words)
    return found


@contextlib.contextmanager
def browser():
    """Start a headless Chromium."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        found = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu"]
        )
        try:
            yield found
        finally:
            found.close()


def open_notebook(page, address, token, name):
    """Open a notebook in JupyterLab and wait until its cells and its kernel are there."""
    page.goto(f"{address}/lab/tree/notebooks/{name}.ipynb?reset&token={token}")
    page.wait_for_selector(".jp-Notebook .jp-Cell", timeout=45_000)
    # Whoever runs cells before the kernel is there is asked which kernel to take.
    page.wait_for_selector("#jp-main-statusbar >> text=/Python 3.*Idle/", timeout=45_000)


PROMPTS = "[...document.querySelectorAll('.jp-CodeCell .jp-InputPrompt')].map(e => e.textContent)"


def run_all(page, *, timeout_s=60):
    """Choose Run All Cells from the menu and wait until every cell has run, or one has failed."""
    from playwright.sync_api import TimeoutError as TookTooLongError

    for _ in range(5):
        page.click("#jp-MainMenu >> text=Run")
        page.click("li[data-command='runmenu:run-all'] >> visible=true")
        # What is chosen while the page still connects to the kernel is lost; a person would choose it again.
        with contextlib.suppress(TookTooLongError):
            page.wait_for_function(f"() => {PROMPTS}.some(text => /[*0-9]/.test(text))", timeout=4000)
            break
    page.wait_for_function(
        f"() => {PROMPTS}.every(text => /[0-9]/.test(text))"
        " || document.querySelector('[data-mime-type=\"application/vnd.jupyter.stderr\"]')",
        timeout=1000 * timeout_s,
    )


def texts(page, selector):
    """Return the texts of elements as a reader sees them."""
    return [element.inner_text() for element in page.query_selector_all(selector)]
