"""The `./run` script, with a Python that only notes what it is asked to do: when it sets up and when not."""

import shutil
import subprocess
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TOOLS = ["cat", "cksum", "dirname", "env", "flock", "id", "mktemp", "rm", "sh", "sleep", "tail", "true"]

PYTHON = """\
#!/bin/sh
echo "$@" >>LOG
case "$*" in
"-m venv "*)
    mkdir -p "$3/bin"
    cp "$0" "$3/bin/python"
    printf '#!/bin/sh\\nprintf "%%s|" "$@"\\n' >"$3/bin/depthline"
    chmod +x "$3/bin/depthline" ;;
"-m pip"*) [ ! -e NO_PACKAGES ] || { echo no network; exit 1; } ;;
esac
"""


class Tree:
    """A copy of the script in a machine of its own."""

    def __init__(self, folder):
        self.folder = folder / "tree"
        self.machine = folder / "machine"
        self.log = folder / "log"
        self.no_packages = folder / "no_packages"
        self.folder.mkdir()
        self.machine.mkdir()
        for name in (
            "requirements.txt",
            "requirements-dev.txt",
            "requirements-cluster.txt",
            "constraints.txt",
            "pyproject.toml",
        ):
            shutil.copy(ROOT / name, self.folder)
        text = (ROOT / "run").read_text().replace(" /usr/lib/openfoam", f" {folder}/none")
        (self.folder / "run").write_text(text.replace(" /opt/", f" {folder}/none/"))
        (self.folder / "run").chmod(0o755)
        for tool in [*TOOLS, "cp", "mkdir", "chmod"]:
            if found := shutil.which(tool):
                (self.machine / tool).symlink_to(found)
        self.add(
            "python3", PYTHON.replace("LOG", str(self.log)).replace("NO_PACKAGES", str(self.no_packages))
        )

    def add(self, name, text="#!/bin/sh\n"):
        (self.machine / name).unlink(missing_ok=True)  # a link would be written through
        (self.machine / name).write_text(text)
        (self.machine / name).chmod(0o755)

    def run(self, *arguments, cwd=None):
        ended = subprocess.run(
            [self.folder / "run", *arguments],
            capture_output=True,
            text=True,
            cwd=cwd or self.folder,
            env={"PATH": str(self.machine), "HOME": str(self.folder)},
            timeout=60,
        )
        asked = self.log.read_text().splitlines() if self.log.exists() else []
        self.log.unlink(missing_ok=True)
        return ended, [line for line in asked if line.startswith("-m ")]


@pytest.fixture
def tree(tmp_path):
    return Tree(tmp_path)


def test_the_first_call_sets_up_and_the_second_does_not(tree):
    ended, asked = tree.run("depthline", "check", "a study.yaml", "--json")
    assert ended.returncode == 0, ended.stderr
    assert ended.stdout == "check|a study.yaml|--json|"
    assert [line.split()[1] for line in asked] == ["venv", "pip"]
    begun = time.monotonic()
    ended, asked = tree.run("depthline", "status")
    assert time.monotonic() - begun < 3.0
    assert (ended.stdout, ended.stderr, asked) == ("status|", "", [])


def test_paths_are_those_of_the_caller(tree, tmp_path):
    tree.run("depthline", "check")
    (tree.folder / ".venv/bin/depthline").write_text("#!/bin/sh\npwd\n")
    ended, _ = tree.run("depthline", "check", cwd=tmp_path)
    assert ended.stdout.strip() == str(tmp_path)


def test_a_half_made_environment_is_made_anew(tree):
    tree.no_packages.touch()
    ended, asked = tree.run("depthline", "check")
    assert ended.returncode == 3
    assert "no network" in ended.stderr
    assert ended.stderr.splitlines()[-1].startswith("the Python packages could not be installed")
    tree.no_packages.unlink()
    leftover = tree.folder / ".venv" / "leftover"
    leftover.touch()
    ended, asked = tree.run("depthline", "check")
    assert ended.returncode == 0
    assert [line.split()[1] for line in asked] == ["venv", "pip"]
    assert not leftover.exists()


@pytest.mark.parametrize("name", ["requirements.txt", "pyproject.toml"])
def test_changed_requirements_make_it_anew(tree, name):
    tree.run("depthline", "check")
    with (tree.folder / name).open("a") as stream:
        stream.write("# changed\n")
    assert [line.split()[1] for line in tree.run("depthline", "check")[1]] == ["venv", "pip"]
    assert tree.run("depthline", "check")[1] == []


def test_the_tools_for_tests_come_with_the_first_test(tree):
    tree.run("depthline", "check")
    tree.add("simpleFoam")
    _, asked = tree.run("test", "tests/one.py", "-k", "a b")
    assert [line.split()[1] for line in asked] == ["pip", "pytest"]
    assert "requirements-dev.txt" in asked[0]
    assert asked[1] == "-m pytest tests/one.py -k a b"
    _, asked = tree.run("test", "tests/one.py")
    assert [line.split()[1] for line in asked] == ["pytest"]


def test_a_study_needs_a_solver(tree):
    ended, _ = tree.run("study", "study.yaml")
    assert ended.returncode == 3
    assert ended.stdout == ""
    assert ended.stderr.splitlines()[-1].startswith("the flow solver OpenFOAM was not found")
    tree.add("simpleFoam")
    ended, _ = tree.run("study", "study.yaml", "--cores", "2")
    assert (ended.returncode, ended.stdout) == (0, "run|study.yaml|--cores|2|")


def test_a_solver_in_the_usual_folder_is_enough(tree, tmp_path):
    script = tmp_path / "none" / "openfoam10" / "etc" / "bashrc"
    script.parent.mkdir(parents=True)
    script.touch()
    assert tree.run("study", "study.yaml")[0].returncode == 0


APT = """\
#!/bin/sh
echo "$@" >>LOG.apt
case "$*" in *" openfoam") : >MACHINE/simpleFoam; chmod +x MACHINE/simpleFoam ;; esac
"""


@pytest.mark.parametrize(
    ("user", "sudo", "allowed"), [(0, None, True), (1000, 0, True), (1000, 1, False), (1000, None, False)]
)
def test_the_package_is_installed_where_that_is_allowed(tree, user, sudo, allowed):
    tree.add("apt-get", APT.replace("LOG", str(tree.log)).replace("MACHINE", str(tree.machine)))
    tree.add("id", f"#!/bin/sh\necho {user}\n")
    if sudo is not None:
        tree.add("sudo", f'#!/bin/sh\n[ {sudo} -eq 0 ] || exit 1\nshift\nexec "$@"\n')
    ended, _ = tree.run("study", "study.yaml")
    assert ended.returncode == (0 if allowed else 3), ended.stderr
    if allowed:
        asked = Path(f"{tree.log}.apt").read_text().splitlines()
        assert asked[-2:] == ["update -q", "install -y -q --no-install-recommends openfoam"]
    else:
        assert "may not be installed from here" in ended.stderr


def test_no_python_gives_one_line(tree):
    (tree.machine / "python3").unlink()
    ended, _ = tree.run("depthline", "check")
    assert ended.returncode == 3
    assert ended.stderr == "Python 3.11 to 3.14 is needed and was not found; install it and run again\n"


@pytest.mark.parametrize("arguments", [[], ["nope"], ["study"]])
def test_a_wrong_call_shows_the_usage(tree, arguments):
    ended, asked = tree.run(*arguments)
    assert (ended.returncode, ended.stdout, asked) == (2, "", [])
    assert ended.stderr.startswith("usage: ./run study FILE")


def test_no_registry_stands_in_the_tree():
    for name in ("run", "requirements.txt", "requirements-dev.txt", "pyproject.toml"):
        text = (ROOT / name).read_text()
        assert "://" not in text
        assert "index-url" not in text
