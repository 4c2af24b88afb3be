"""All seals of a package judged together: required roles, countersignatures, and files that have no business there."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import timedelta

import pytest

from beadroll.errors import InputError
from beadroll.package.seals import seal
from beadroll.package.seals.statement import make_statement
from tests.pki import NOW, PASSPHRASE, ClockAt, authority, time_signer, trusting

TAGS = b"aa  bagit.txt\nbb  manifest-sha512.txt\n"


@pytest.fixture
def world(tmp_path):
    contractor, inspector = authority(), authority("Lloyd of Halden")
    trust = trusting(tmp_path, ("contractor", contractor), ("inspector", inspector))
    office = contractor.issue().signer(tmp_path, contractor.revocation_list())
    lloyd = inspector.issue("Ines Ek").signer(tmp_path, inspector.revocation_list())
    return trust, office, lloyd


@pytest.fixture
def files(world):
    """The seals of a package that an inspector has countersigned."""
    _, office, lloyd = world
    contractor = seal.sign(TAGS, office, role="contractor", commitment="origin", now=NOW)
    statement = make_statement(
        TAGS, {"contractor": contractor}, handover="H-014", role="inspector", by="Ines Ek", now=NOW
    )
    countersigned = seal.sign(statement, lloyd, role="inspector", commitment="approval", now=NOW)
    return {
        "seals/contractor.p7s": contractor,
        "seals/inspector.json": statement,
        "seals/inspector.p7s": countersigned,
    }


def judged(world, files, tags=TAGS, required=("contractor", "inspector")):
    verdicts, findings = seal.judge(tags, files, world[0], required_roles=required, now=NOW)
    return verdicts, {one.code for one in findings} - {"SEAL-TIME-CLAIMED"}


def test_a_countersigned_package_is_clean(world, files):
    verdicts, codes = judged(world, files)
    assert [verdict.role for verdict in verdicts] == ["contractor", "inspector"]
    assert all(verdict.good for verdict in verdicts)
    assert codes == set()
    assert verdicts[1].commitment == "approval"


def test_the_files_may_be_named_with_or_without_their_folder(world, files):
    assert judged(world, {name.partition("/")[2]: data for name, data in files.items()})[1] == set()


@pytest.mark.parametrize("role", ["contractor", "inspector"])
def test_a_stripped_seal_is_missed(world, files, role):
    del files[f"seals/{role}.p7s"]
    assert "SEAL-MISSING" in judged(world, files)[1]


def test_a_package_without_seals_says_so(world):
    assert judged(world, {}, required=())[1] == {"SEAL-NONE"}
    assert judged(world, {})[1] == {"SEAL-MISSING"}


def test_seals_on_another_package_do_not_count(world, files):
    verdicts, codes = judged(world, files, tags=TAGS + b"cc  x\n")
    assert codes == {"SEAL-CONTENT-DIFFERS", "SEAL-STATEMENT-OTHER-PACKAGE"}
    assert [verdict.good for verdict in verdicts] == [False, True]


def test_a_seal_put_in_the_place_of_the_one_countersigned_is_noticed(world, files):
    files["seals/contractor.p7s"] = seal.sign(TAGS, world[1], role="contractor", commitment="origin", now=NOW)
    assert judged(world, files)[1] == {"SEAL-STATEMENT-OTHER-SEAL"}


def test_the_countersigned_seal_taken_away_is_noticed(world, files):
    del files["seals/contractor.p7s"]
    assert judged(world, files, required=())[1] == {"SEAL-STATEMENT-SEAL-GONE"}


def test_a_seal_completed_with_a_token_is_still_the_one_countersigned(world, files):
    clock = ClockAt(party=time_signer(authority("Clock root")), at=NOW)
    files["seals/contractor.p7s"] = seal.complete_pending(files["seals/contractor.p7s"], clock)
    assert judged(world, files)[1] == {"SEAL-TOKEN-UNPINNED", "SEAL-STATEMENT-SEAL-COMPLETED"}


def test_one_file_under_two_roles_is_refused(world, files):
    files["seals/interpreter.p7s"] = files["seals/contractor.p7s"]
    assert {"SEAL-COPIED", "SEAL-ROLE-DIFFERS", "SEAL-ROLE-UNPINNED"} <= judged(world, files)[1]


@pytest.mark.parametrize("name", ["notes.txt", "Contractor.p7s", "timestamp.p7s", ".p7s", "a b.p7s"])
def test_other_files_among_the_seals_are_named(world, files, name):
    files[f"seals/{name}"] = b"x"
    assert judged(world, files)[1] == {"SEAL-FILE-UNKNOWN"}


def test_a_statement_without_its_seal_is_refused(world, files):
    del files["seals/inspector.p7s"]
    assert judged(world, files, required=())[1] == {"SEAL-STATEMENT-UNSIGNED"}


@pytest.mark.parametrize(
    "change",
    [
        lambda data: data + b"\n",
        lambda data: data.replace(b",", b", ", 1),
        lambda data: data.replace(b"inspector", b"Inspector"),
        lambda data: data.replace(b'"handover":"H-014"', b'"handover":""'),
        lambda data: data[:-3],
        lambda _: b"[]",
        lambda _: b"\xff",
        lambda data: json.dumps(json.loads(data) | {"document": "receipt"}).encode(),
    ],
)
def test_a_statement_that_was_edited_is_refused(world, files, change):
    files["seals/inspector.json"] = change(files["seals/inspector.json"])
    assert judged(world, files)[1] == {"SEAL-CONTENT-DIFFERS", "SEAL-STATEMENT-UNREADABLE"}


def test_a_statement_under_another_role_is_refused(world, files):
    _, office, lloyd = world
    statement = make_statement(
        TAGS, {"contractor": files["seals/contractor.p7s"]}, handover="H", role="owner", by="I", now=NOW
    )
    files["seals/inspector.json"] = statement
    files["seals/inspector.p7s"] = seal.sign(statement, lloyd, role="inspector", commitment="approval", now=NOW)
    assert judged(world, files)[1] == {"SEAL-STATEMENT-OTHER-ROLE"}
    assert office.facts.name == "Ada Holm"


def test_a_statement_names_a_seal_and_a_person(files):
    with pytest.raises(ValueError, match="at least one seal"):
        make_statement(TAGS, {}, handover="H", role="inspector", by="I", now=NOW)
    with pytest.raises(InputError):
        make_statement(TAGS, {"contractor": b"x"}, handover="H", role="inspector", by="I", now=NOW)
    with pytest.raises(InputError):
        make_statement(
            TAGS, {"contractor": files["seals/contractor.p7s"]}, handover="H", role="inspector", by="", now=NOW
        )


def test_a_verdict_reads_as_text_and_as_json(world, files):
    (verdict, _), _ = judged(world, files)
    text = verdict.certificate()
    for word in ("Ada Holm, Halden Pipework", "counts (claimed time only)", "contractor", "2031-04-07 09:30:00 UTC"):
        assert word in text
    assert max(map(len, text.splitlines())) < 140
    plain = json.loads(json.dumps(verdict.as_json()))
    assert plain["good"] is True
    assert plain["time"] == {
        "kind": "claimed time only",
        "at": None,
        "claimed": "2031-04-07T09:30:00+00:00",
        "authority": "",
    }
    assert [step["outcome"] for step in plain["steps"]] == ["yes"] * len(seal.STEPS)


def test_seals_and_times_must_be_said_plainly(world):
    with pytest.raises(ValueError, match="commitment"):
        seal.sign(TAGS, world[1], role="contractor", commitment="good will", now=NOW)
    with pytest.raises(ValueError, match="time zone"):
        seal.examine(b"", b"", world[0], role="contractor", now=NOW.replace(tzinfo=None))
    with pytest.raises(InputError):
        seal.pending(b"x")
    with pytest.raises(InputError, match="counts from"):
        seal.sign(TAGS, world[1], role="contractor", commitment="origin", now=NOW + timedelta(days=3650))


def test_starting_the_program_loads_no_sealing_library():
    program = "import sys, beadroll.cli; print([m for m in sys.modules if m.startswith(('pyhanko', 'cryptography'))])"
    found = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


def test_judging_a_seal_loads_nothing_that_only_signing_needs():
    asked = "'pyhanko.sign.signers' in sys.modules, 'aiohttp' in sys.modules"
    program = f"import sys, beadroll.package.seals.seal; print({asked})"
    found = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert found.stdout.split() == ["False", "False"]


JUDGE_THEN_SIGN = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from beadroll.package.seals import seal
from beadroll.package.seals.trust import Trust
now = datetime(2031, 4, 7, 9, 30, tzinfo=UTC)
verdict = seal.examine(Path(sys.argv[1]).read_bytes(), b"x", Trust.nobody(), role="contractor", now=now)
assert verdict.commitment == "origin", verdict.certificate()
assert "pyhanko.sign" not in sys.modules
from beadroll.package.seals import keys
signer = keys.load_signer(Path(sys.argv[2]), sys.argv[3])
made = seal.sign(b"y", signer, role="client", commitment="receipt", now=now)
assert seal.examine(made, b"y", Trust.nobody(), role="client", now=now).commitment == "receipt"
"""


def test_a_process_that_has_judged_a_seal_can_make_one(world, tmp_path):
    (tmp_path / "x.p7s").write_bytes(seal.sign(b"x", world[1], role="contractor", commitment="origin", now=NOW))
    key = next(tmp_path.glob("p12-*/signer.p12"))
    command = [sys.executable, "-c", JUDGE_THEN_SIGN, str(tmp_path / "x.p7s"), str(key), PASSPHRASE]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
