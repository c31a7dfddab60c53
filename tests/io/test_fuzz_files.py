"""Three hundred damaged files of every format, by ``benchmarks/fuzz.py``, which tries thousands."""

import os
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
CASES = 300


def test_damaged_files_are_refused_in_one_line_or_give_a_right_result():
    done = subprocess.run(
        [sys.executable, ROOT / "benchmarks" / "fuzz.py", "--count", str(CASES)],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.endswith(f"{CASES} cases, 0 faults\n")
    # A clear error for all would pass as well.
    results = sum(int(many) for many in re.findall(r"result (\d+)", done.stdout))
    assert results > CASES / 20
