"""An environment below target/ with the Python packages that a comparison needs."""

import pathlib
import subprocess
import sys

ROOT = pathlib.Path(__file__).resolve().parent.parent


def environment(*packages):
    """The Python of the environment, with the packages installed where they are not."""
    folder = ROOT / "target" / "numpy-venv"
    python = folder / "bin" / "python"
    wanted = ["-c", "import " + ", ".join(packages)]
    ready = python.exists() and subprocess.run([python, *wanted], capture_output=True).returncode == 0
    if not ready:
        if not python.exists():
            subprocess.run([sys.executable, "-m", "venv", folder], check=True)
        install = ["-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
        subprocess.run([python, *install, *packages], check=True)
    return python
