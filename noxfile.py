#!/usr/bin/env -S uv run --script
# /// script
# dependencies = ["nox"]
# ///
"""The make targets for those without make: ``nox`` runs lint, types and tests; ``nox -s demo`` the demo's report."""

import nox

nox.needs_version = ">=2024.4.15"
nox.options.default_venv_backend = "uv|virtualenv"


def install(session: nox.Session) -> None:
    """Install what requirements.lock pins, and this folder as it stands."""
    session.install("--require-hashes", "-r", "requirements.lock")
    session.install("--no-deps", "--no-build-isolation", "-e", ".")


@nox.session
def lint(session: nox.Session) -> None:
    """Check style and spelling."""
    install(session)
    session.run("ruff", "check", ".")
    session.run("ruff", "format", "--check", ".")
    session.run("codespell")


@nox.session
def types(session: nox.Session) -> None:
    """Check types."""
    install(session)
    session.run("mypy")


@nox.session
def tests(session: nox.Session) -> None:
    """Run every test, or those chosen behind ``--``."""
    install(session)
    session.run("python", "-m", "pytest", "-n", "auto", "--dist", "loadfile", *session.posargs)


@nox.session(default=False)
def demo(session: nox.Session) -> None:
    """Simulate the demo's logs and write its report."""
    install(session)
    session.run("python", "demo/make_logs.py")
    session.run("thermlab", "report", "demo/chart-table")


if __name__ == "__main__":
    nox.main()
