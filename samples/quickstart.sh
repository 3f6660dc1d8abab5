#!/usr/bin/env bash
# Sets everything up and debriefs the sample flights. Usage: bash samples/quickstart.sh
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
bash samples/setup.sh
status=0
.venv/bin/analyser debrief samples/flights/* || status=$?
# 1 says that some readings want a person's look, which is as it should be with the slips in these flights.
[ "$status" -le 1 ] || exit "$status"
.venv/bin/analyser compare
echo
echo "The debriefs are in reports/: open reports/first-try/debrief.html in a browser."
