#!/usr/bin/env bash
# Makes the reference values again with the pinned versions, in an environment of its own.
#
#   tests/reference/remake.sh            writes them
#   tests/reference/remake.sh --check    fails if a committed value differs from what its script makes
set -euo pipefail
cd "$(dirname "$0")"

if ! python3 -c 'import ensurepip, venv' 2>/dev/null; then
    echo "python3 lacks venv: installing it"
    apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq python3 python3-venv
fi
environment=$(mktemp -d)
trap 'rm -rf "$environment"' EXIT
python3 -m venv "$environment"
"$environment/bin/pip" install --quiet --requirement requirements.txt
for script in *.py; do
    echo "$script ${*:-writes its values}"
    "$environment/bin/python" -B "$script" "$@"
done
