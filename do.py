"""Set Ringland up on this machine and run it. Needs Python 3.11 or newer and nothing else.

    python3 do.py demo          set up if needed, then run the demonstration
    python3 do.py test          set up if needed, then lint, types and the whole test suite
    python3 do.py check [ARG]   while working on the code: format, lint, types, pytest ARG
    python3 do.py run ARG ...   set up if needed, then `ringland ARG ...`
    python3 do.py lock          for maintainers: choose the package versions anew (needs uv)

On Windows write `py do.py demo`. Everything goes into the folder .venv beside this file. The first
run fetches the packages pinned by hash in the lock files; later runs need no network.
"""

from __future__ import annotations  # so that an older Python reaches the message below

import hashlib
import os
import subprocess
import sys
import tempfile
import venv
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parent
ENVIRONMENT = ROOT / ".venv"
OLDEST = (3, 11)
LOCKS = {"run": ROOT / "requirements.lock", "test": ROOT / "requirements-test.lock"}


class Failed(Exception):
    """A step failed; the text says what to do."""


def python() -> Path:
    """The interpreter inside the environment."""
    return ENVIRONMENT / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def call(*words: object, folder: Path | None = ROOT) -> int:
    """Run the environment's interpreter with these arguments, from the project folder."""
    try:
        return subprocess.call([str(python()), *map(str, words)], cwd=folder)
    except KeyboardInterrupt:
        return 130


def fingerprint(purpose: str) -> str:
    """Changes when the locked packages, the package's own settings or the place change."""
    digest = hashlib.sha256()
    for path in (LOCKS[purpose], ROOT / "pyproject.toml", ROOT / "do.py"):
        digest.update(path.read_bytes().replace(b"\r\n", b"\n"))
    digest.update(f"{ROOT}\n{sys.version_info[:2]}".encode())
    return digest.hexdigest()


def is_set_up(purpose: str) -> bool:
    """True when the environment already holds what this purpose needs."""
    accepted = ("run", "test") if purpose == "run" else ("test",)  # the test lock holds both
    return python().exists() and any(
        stamp(p).exists() and stamp(p).read_text("ascii") == fingerprint(p) for p in accepted
    )


def stamp(purpose: str) -> Path:
    """Written last, so that a broken-off set-up is done again."""
    return ENVIRONMENT / f".set-up-for-{purpose}"


def set_up(purpose: str) -> None:
    """Make the environment and install the locked packages and this one into it."""
    if is_set_up(purpose):
        return
    if not python().exists() or call("-c", f"import pip, sys; sys.exit({in_use()})") != 0:
        say(f"Making {ENVIRONMENT.name} with Python {sys.version.split()[0]}")
        try:
            venv.create(ENVIRONMENT, with_pip=True, clear=True)
        except (OSError, subprocess.CalledProcessError) as error:
            raise Failed(
                f"The environment could not be made: {error}\n"
                "On Debian and Ubuntu, install the package python3-venv and try again."
            ) from error
    say(f"Installing the packages pinned in {LOCKS[purpose].name} (once; takes a few minutes)")
    pip("--require-hashes", "--requirement", LOCKS[purpose])
    say("Installing ringland itself from this folder")
    pip("--no-index", "--no-deps", "--no-build-isolation", "--editable", ROOT)
    stamp(purpose).write_text(fingerprint(purpose), "ascii")


def in_use() -> str:
    """An expression, true (so a non-zero exit) when the environment's Python is another one."""
    return f"sys.version_info[:2] != {tuple(sys.version_info[:2])}"


def pip(*words: object) -> None:
    """pip install, quietly; a failure says the likely reason."""
    quiet = ("--quiet", "--disable-pip-version-check", "--no-input", "--no-warn-script-location")
    if call("-m", "pip", "install", *quiet, *words) != 0:
        raise Failed(
            "pip could not install what is needed; its own message is above.\n"
            "The first set-up needs the network once. After it, everything works without."
        )


def say(text: str) -> None:
    """One line of progress."""
    print(f"do.py: {text}", flush=True)


def lint(*, fix: bool) -> bool:
    """Formatting, lint and types; all three run even when one fails."""
    how = (["format"], ["check", "--fix"]) if fix else (["format", "--check"], ["check"])
    results = [call("-m", "ruff", *words, ".") for words in how]
    results.append(call("-m", "mypy"))
    return not any(results)


def test() -> int:
    """Lint, types and tests; pytest comes last, so its summary is the last line."""
    set_up("test")
    # many tests start programs: with the compiled modules kept, each starts sooner
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    say("ruff and mypy, while the numerical parts are compiled")
    with compiling():
        clean = lint(fix=False)
    say("pytest")
    workers = str(min(os.cpu_count() or 1, 4))
    spread = ("-n", workers, "--dist", "loadfile", "--no-loadscope-reorder")
    status = call("-m", "pytest", *spread, "--durations", "15")
    return status if clean else status or 1


@contextmanager
def compiling() -> Iterator[None]:
    """Compile beside what is done meanwhile, so that no two tests compile the same thing at once:
    the demonstration uses nearly all of it. Whether it works is for the tests to say."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        words = (str(python()), "-m", "ringland", "demo", "--folder", folder, "--no-browser")
        nothing = subprocess.DEVNULL
        running = subprocess.Popen(words, cwd=ROOT, stdin=nothing, stdout=nothing, stderr=nothing)
        try:
            yield
            running.wait()
        finally:
            running.kill()
            running.wait()


def check(words: list[str]) -> int:
    """The developer's loop: repair what can be repaired, then types, then the named tests."""
    set_up("test")
    clean = lint(fix=True)
    status = call("-m", "pytest", *words)
    return status if clean else status or 1


def run(words: list[str]) -> int:
    """`ringland WORDS...` inside the environment."""
    set_up("run")
    return call("-m", "ringland", *words, folder=None)  # file names are relative to the user


def lock() -> int:
    """Write both lock files anew from pyproject.toml, for every system and Python at once."""
    common = [
        *("uv", "pip", "compile", "pyproject.toml", "--universal", "--python-version", "3.11"),
        *("--generate-hashes", "--no-annotate", "--quiet", "--upgrade", "--group", "build"),
        *("--fork-strategy", "fewest"),  # one version of each package for every Python
        *("--custom-compile-command", "python3 do.py lock"),
    ]
    run_lock, test_lock = (path.name for path in LOCKS.values())
    for words in (
        ["--output-file", run_lock],
        ["--all-extras", "--group", "test", "--constraint", run_lock, "--output-file", test_lock],
    ):
        try:
            status = subprocess.call([*common, *words], cwd=ROOT)
        except FileNotFoundError as error:
            raise Failed("This needs uv: python3 -m pip install uv") from error
        if status != 0:
            raise Failed("uv could not choose versions; its own message is above.")
    return 0


def main(words: list[str]) -> int:
    """Choose by the first word; the exit status is that of what ran."""
    if sys.version_info < OLDEST:
        raise Failed(
            f"Ringland needs Python {OLDEST[0]}.{OLDEST[1]} or newer; this is "
            f"{sys.version.split()[0]}.\nTry a newer one, for example: python3.12 do.py demo"
        )
    name, rest = (words[0], words[1:]) if words else ("help", [])
    if name == "demo":
        return run(["demo", *rest])
    if name == "test" and not rest:
        return test()
    if name == "check":
        return check(rest)
    if name == "run":
        return run(rest)
    if name == "lock" and not rest:
        return lock()
    print(__doc__)
    return 0 if name in ("help", "-h", "--help") else 2


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except Failed as problem:
        sys.exit(f"do.py: {problem}")
    except KeyboardInterrupt:
        sys.exit(130)
