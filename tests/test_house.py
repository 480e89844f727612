"""The house itself: what stands at the top, what must not creep in, and that the locks are fit for use."""

import re
import subprocess
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "pyproject.toml", "app", "frontend", "tests", "seed_data", "alembic",
    "Makefile", "requirements.lock", "LICENSE", ".ci", ".gitignore", "benchmarks", "deploy",
}  # fmt: skip


def tracked() -> list[str]:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    return listed.stdout.splitlines()


def test_top_level_holds_only_what_the_house_plan_names():
    assert {name.split("/")[0] for name in tracked()} <= TOP_LEVEL


def test_the_migrations_folder_does_not_shadow_the_alembic_library():
    assert not (ROOT / "alembic" / "__init__.py").exists()
    import alembic

    assert "site-packages" in str(alembic.__path__)


@pytest.mark.parametrize("lock", ["requirements.lock", "tests/requirements.lock"])
def test_the_lock_is_hashed_and_names_no_host(lock):
    text = (ROOT / lock).read_text()
    assert "://" not in text
    for block in re.split(r"\n(?=\S)", text.strip()):
        assert "--hash=sha256:" in block, block.splitlines()[0]


def test_both_locks_agree():
    def pins(path: str) -> dict[str, str]:
        return dict(re.findall(r"^([\w.-]+)==(\S+)", (ROOT / path).read_text(), re.MULTILINE))

    run_time, test_time = pins("requirements.lock"), pins("tests/requirements.lock")
    assert run_time
    assert run_time.items() <= test_time.items()


def test_copyleft_references_stay_out_of_the_run_time_lock():
    run_time = (ROOT / "requirements.lock").read_text()
    assert not re.search(r"^(pingouin|praat-parselmouth)==", run_time, re.MULTILINE)


def test_the_wheel_holds_the_package_only():
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert settings["packages"] == ["app"]
    assert all(target.startswith("app/_data/") for target in settings["force-include"].values())


def test_nothing_is_left_undone():
    marks = re.compile(r"\b(TODO|FIXME|XXX)\b|except( Exception)?:\s*pass|raise NotImplementedError")
    for name in tracked():
        if (
            name.startswith(("app/", "frontend/"))
            and "/vendor/" not in name
            and name.endswith((".py", ".js", ".css", ".html"))
        ):
            found = marks.search((ROOT / name).read_text())
            assert not found, f"{name}: {found.group()}"  # type: ignore[union-attr]
