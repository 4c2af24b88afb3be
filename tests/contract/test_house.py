"""The rules of the house, held by machine: import direction, lint, types, and what the top level holds."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def run(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)


def test_imports_go_only_downwards():
    done = subprocess.run(
        [str(Path(sys.executable).parent / "lint-imports"), "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


WALLS = {
    "click": ("cli/",),
    "rich": ("cli/",),
    "pyhanko": ("package/seals/", "archive/evidence"),
    "cryptography": ("package/seals/", "archive/evidence"),
    "pydicom": ("images/",),
    "imagecodecs": ("images/",),
    "tifffile": ("images/",),
    "deltalake": ("archive/catalog",),
    "python_calamine": ("tables",),
    "lxml": ("package/mets",),
    "jsonschema_rs": ("documents",),
    "fpdf": ("report/",),
    "fontTools": ("report/",),
    "segno": ("report/",),
}


def imported(file: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names.add(node.module.partition(".")[0])
    return names


def test_each_foreign_library_stands_behind_its_wall():
    package = ROOT / "src" / "beadroll"
    leaks = [
        f"{file.relative_to(package)} imports {library}"
        for file in sorted(package.rglob("*.py"))
        for library in sorted(imported(file) & WALLS.keys())
        if not str(file.relative_to(package)).startswith(WALLS[library])
    ]
    assert leaks == []


def test_the_linter_finds_nothing():
    done = run("ruff", "check", "--no-cache", ".")
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_formatter_would_change_nothing():
    done = run("ruff", "format", "--no-cache", "--check", ".")
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_type_holds():
    done = run("mypy", "--cache-dir=/dev/null")
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_top_level_holds_nothing_else():
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    top = {line.partition("/")[0] for line in listed.splitlines()}
    allowed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "src", "schemas", "tests", "demo_archive"}
    assert {name for name in top if not name.startswith(".")} <= allowed


def test_a_wheel_carries_the_schemas(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(tmp_path), str(ROOT)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    (wheel,) = tmp_path.glob("beadroll-*.whl")
    code = (
        f"import sys; sys.path.insert(0, {str(wheel)!r})\n"
        "import beadroll; assert '.whl' in beadroll.__file__\n"
        "from importlib import resources\n"
        "print(sorted(f.name for f in (resources.files('beadroll') / 'schemas').iterdir()))\n"
    )
    shown = subprocess.run(
        [sys.executable, "-I", "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert "record.schema.json" in shown.stdout, shown.stderr
    assert "FORMAT.md" in shown.stdout
