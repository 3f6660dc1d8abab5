#!/usr/bin/env bash
# Runs all tests: makes or reuses .venv, installs the project with what its tests need, starts pytest.
# Usage: bash tests/run.sh [PYTEST OPTIONS]    e.g.  bash tests/run.sh tests/fitting -x
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
bash samples/setup.sh test
# One thread a process: the matrices here are small, and results then don't hang on the number of cores.
export OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1
# One process a core. Tests of one file stay together: what they share is made once.
exec .venv/bin/python -m pytest -n auto --dist loadfile "$@"
