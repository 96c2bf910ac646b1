"""Wheel and source archive: built here, looked into. `.ci/run` installs the wheel and runs it."""

from __future__ import annotations

import importlib.util
import tarfile
import zipfile
from pathlib import Path

import pytest
from toothwise import __version__

from tests.parts import need

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "host" / "toothwise"


def built(kind: str, folder: Path) -> Path:
    """A wheel or a source archive of this checkout."""
    need("hatchling", importlib.util.find_spec("hatchling") is not None)
    from hatchling.builders.plugin.interface import BuilderInterface
    from hatchling.builders.sdist import SdistBuilder
    from hatchling.builders.wheel import WheelBuilder

    maker: BuilderInterface = (WheelBuilder if kind == "wheel" else SdistBuilder)(str(ROOT))
    return Path(next(iter(maker.build(directory=str(folder), versions=["standard"]))))


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Names in the wheel and their bytes."""
    with zipfile.ZipFile(built("wheel", tmp_path_factory.mktemp("wheel"))) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


@pytest.fixture(scope="module")
def sources(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """Names in the source archive, below its folder."""
    with tarfile.open(built("sdist", tmp_path_factory.mktemp("sdist"))) as archive:
        return {name.split("/", 1)[1] for name in archive.getnames()}


def test_the_boards_files_are_in_the_wheel_byte_for_byte(wheel: dict[str, bytes]) -> None:
    files = [*(ROOT / "firmware").glob("*.py"), ROOT / "firmware" / "PROTOCOL.md"]
    assert len(files) > 15
    for path in files:
        assert wheel[f"toothwise/firmware/{path.name}"] == path.read_bytes()


def test_the_whole_package_is_in_the_wheel(wheel: dict[str, bytes]) -> None:
    files = [path for path in PACKAGE.rglob("*") if path.is_file() and "__pycache__" not in path.parts]
    assert any(path.suffix == ".toml" for path in files)
    for path in files:
        assert wheel[f"toothwise/{path.relative_to(PACKAGE).as_posix()}"] == path.read_bytes()


def test_nothing_else_is_in_the_wheel(wheel: dict[str, bytes]) -> None:
    about = f"toothwise-{__version__}.dist-info/"
    assert {name.split("/")[0] + "/" for name in wheel} == {"toothwise/", about}
    assert not [name for name in wheel if "cache" in name or name.endswith(".pyc")]


def test_the_licence_is_in_the_wheel(wheel: dict[str, bytes]) -> None:
    about = f"toothwise-{__version__}.dist-info/"
    assert wheel[f"{about}licenses/host/LICENSE"] == (ROOT / "host" / "LICENSE").read_bytes()
    said = wheel[f"{about}METADATA"].decode()
    assert "\nLicense-Expression: MIT\n" in said and "\nLicense-File: host/LICENSE\n" in said


def test_tests_and_pages_are_in_the_source_archive(sources: set[str]) -> None:
    wanted = {"README.md", "DEVELOPERS.md", "pyproject.toml", "host/LICENSE", "firmware/wire.py", "wiring/README.md"}
    assert wanted | {"tests/house/test_archives.py", "tests/edges/damaged/empty.csv"} <= sources
    assert not [name for name in sources if "cache" in name]
