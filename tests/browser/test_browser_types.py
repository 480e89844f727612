"""The types in the front end's comments, checked by TypeScript's compiler: the core strictly, the views without
asking for a type on every event handler, the worker in its own world.

The compiler is no part of the project: ``TSC`` names it, or it is found on the path.
"""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

FRONTEND = Path(__file__).resolve().parents[2] / "frontend"
TYPES = Path(__file__).resolve().parent / "types"


@pytest.fixture(scope="module")
def compiler() -> str:
    found = os.environ.get("TSC") or shutil.which("tsc")
    if found is None:
        reason = "no TypeScript compiler here: npm install typescript somewhere and name its tsc in TSC"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    return found


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Our own scripts beside declarations of what they use of the vendored libraries."""
    copy = tmp_path_factory.mktemp("types")
    for part in ("core", "views"):
        shutil.copytree(FRONTEND / part, copy / part)
    shutil.copy(FRONTEND / "sw.js", copy)
    shutil.copytree(TYPES, copy, dirs_exist_ok=True)
    return copy


def check(compiler: str, folder: Path, which: str) -> list[str]:
    done = subprocess.run([compiler, "-p", f"{which}.json"], cwd=folder, capture_output=True, text=True, timeout=300)
    said = done.stdout.splitlines()
    assert said or done.returncode == 0, done.stderr
    return said


@pytest.mark.parametrize("which", ["core", "views", "worker"])
def test_the_types_in_comments_hold(compiler, folder, which):
    assert check(compiler, folder, which) == []


def test_a_wrong_type_would_be_found(compiler, folder):
    (folder / "core" / "wrong.js").write_text(
        'import { newId } from "./ids.js";\n/** @type {number} */\nexport const id = newId();\n'
    )
    try:
        [found] = check(compiler, folder, "core")
    finally:
        (folder / "core" / "wrong.js").unlink()
    assert "wrong.js(3,14): error TS2322" in found
