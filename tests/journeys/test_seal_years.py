"""Seals as the years pass: signers renewed, revoked and expired, digests past their day, clocks gone."""

from __future__ import annotations

from datetime import timedelta

import pytest
from cryptography import x509

from beadroll.findings import Severity
from beadroll.package.seals import keys, seal, trust
from beadroll.package.seals.trust import Trust
from tests.pki import NOW, YEAR, ClockAt, authority, time_signer, trusting

CONTENT = b"aa  data/index.json\n"
DAY = timedelta(days=1)


def codes(verdict, *severities):
    return {one.code for one in verdict.findings if not severities or one.severity in severities}


@pytest.fixture
def clock():
    root = authority("Clock root", until=NOW + 30 * YEAR)
    return root, time_signer(root, until=NOW + 5 * YEAR)


@pytest.fixture
def office(tmp_path):
    """An organisation with keys of its own, and the archive that pinned its root."""
    files = keys.new_organisation("Halden Pipework", "Ada Holm", tmp_path / "keys", "a b c", demo=False, now=NOW)
    return files, tmp_path / "trust"


def pinned(office, clock=None) -> Trust:
    files, place = office
    trust.add(place, "contractor", files.root_pem.read_bytes(), files.spoken)
    if clock is not None:
        trust.add(place, "timestamp", clock[0].pem, clock[0].fingerprint)
        trust.add_revocation_lists(place, clock[0].revocation_list())
    return Trust.load(place)


def sealed(office, *, now, clock=None):
    timestamper = None if clock is None else ClockAt(party=clock[1], at=now)
    signer = keys.load_signer(office[0].signer_p12, "a b c")
    return seal.sign(CONTENT, signer, role="contractor", commitment="origin", timestamper=timestamper, now=now)


def test_a_seal_with_trusted_time_stays_good_when_signer_and_clock_have_expired(office, clock):
    p7s, known = sealed(office, now=NOW, clock=clock), pinned(office, clock)
    for years in (0, 2, 4, 10, 24):
        verdict = seal.examine(p7s, CONTENT, known, role="contractor", now=NOW + years * YEAR)
        assert verdict.good, (years, verdict.certificate())
        assert verdict.time.at == NOW
    assert codes(verdict) == {"SEAL-TSA-EXPIRED"}


def test_a_seal_with_a_claimed_time_only_ends_with_its_signer(office):
    p7s, known = sealed(office, now=NOW), pinned(office)
    assert seal.examine(p7s, CONTENT, known, role="contractor", now=NOW + YEAR).good
    verdict = seal.examine(p7s, CONTENT, known, role="contractor", now=NOW + 4 * YEAR)
    assert "SEAL-EXPIRED" in codes(verdict, Severity.STOP)


def test_the_archives_own_record_of_holding_a_seal_carries_it_past_its_signer(office):
    p7s, known = sealed(office, now=NOW), pinned(office)
    verdict = seal.examine(p7s, CONTENT, known, role="contractor", now=NOW + 20 * YEAR, held_since=NOW + DAY)
    assert verdict.good, verdict.certificate()
    assert verdict.time.kind is seal.TimeKind.HELD
    too_late = seal.examine(p7s, CONTENT, known, role="contractor", now=NOW + 20 * YEAR, held_since=NOW + 4 * YEAR)
    assert not too_late.good


def test_renewing_a_signer_keeps_its_earlier_seals_good(office, clock):
    early, known = sealed(office, now=NOW, clock=clock), pinned(office, clock)
    old = keys.show(office[0].directory)[1]
    keys.renew(office[0].directory, "a b c", now=NOW + YEAR)
    late = sealed(office, now=NOW + YEAR + DAY)
    first = seal.examine(early, CONTENT, known, role="contractor", now=NOW + 2 * YEAR)
    second = seal.examine(late, CONTENT, known, role="contractor", now=NOW + YEAR + 2 * DAY)
    assert first.good, first.certificate()
    assert second.good, second.certificate()
    assert first.signer.serial == old.serial != second.signer.serial
    assert first.signer.name == second.signer.name == "Ada Holm"


def test_revoking_a_signer_spares_seals_with_an_earlier_trusted_time_only(office, clock):
    dated, undated = sealed(office, now=NOW, clock=clock), sealed(office, now=NOW)
    serial = keys.show(office[0].directory)[1].serial
    keys.revoke(office[0].directory, "a b c", serial, reason="key-compromise", now=NOW + 10 * DAY)
    later = sealed(office, now=NOW + 20 * DAY, clock=clock)
    pinned(office, clock)
    trust.add_revocation_lists(office[1], office[0].revoked_pem.read_bytes())
    known = Trust.load(office[1])
    now = NOW + 30 * DAY
    good = seal.examine(dated, CONTENT, known, role="contractor", now=now)
    assert good.good, good.certificate()
    assert "SEAL-REVOKED-LATER" in codes(good)
    for p7s in (undated, later):
        assert "SEAL-REVOKED" in codes(seal.examine(p7s, CONTENT, known, role="contractor", now=now))


def test_a_digest_past_its_last_day_spares_what_is_shown_to_be_older(office, clock):
    dated, undated = sealed(office, now=NOW, clock=clock), sealed(office, now=NOW)
    pinned(office, clock)
    toml = office[1] / "trust.toml"
    toml.write_text(toml.read_text() + "\n[sunset]\nsha512 = 2031-12-31\n")
    known, now = Trust.load(office[1]), NOW + YEAR
    assert seal.examine(dated, CONTENT, known, role="contractor", now=now).good
    assert "SEAL-ALGORITHM-SUNSET" in codes(seal.examine(undated, CONTENT, known, role="contractor", now=now))
    assert seal.examine(undated, CONTENT, known, role="contractor", now=NOW + 30 * DAY).good


def test_signatures_of_todays_kind_end_with_2035_unless_dated(office, clock):
    dated, known = sealed(office, now=NOW, clock=clock), pinned(office, clock)
    after = NOW.replace(year=2036)
    assert seal.examine(dated, CONTENT, known, role="contractor", now=after).good
    root = authority(since=NOW.replace(year=2034), until=after + YEAR)
    signer = root.issue(since=NOW.replace(year=2034), until=after + YEAR).signer(office[1].parent)
    late = seal.sign(CONTENT, signer, role="contractor", commitment="origin", now=after)
    current = trusting(office[1].parent / "b", ("contractor", root), lists=(root.revocation_list(made=after - DAY),))
    assert "SEAL-ALGORITHM-SUNSET" in codes(seal.examine(late, CONTENT, current, role="contractor", now=after))


def test_a_clock_retired_in_good_order_keeps_its_earlier_tokens(office, clock):
    p7s = sealed(office, now=NOW, clock=clock)
    pinned(office, clock)
    retired = clock[0].revocation_list((clock[1], NOW + YEAR, x509.ReasonFlags.cessation_of_operation), made=NOW + YEAR)
    trust.add_revocation_lists(office[1], retired)
    verdict = seal.examine(p7s, CONTENT, Trust.load(office[1]), role="contractor", now=NOW + 2 * YEAR)
    assert verdict.good, verdict.certificate()


def test_a_signer_that_has_expired_or_whose_list_is_old_cannot_seal(office):
    signer = keys.load_signer(office[0].signer_p12, "a b c")
    with pytest.raises(Exception, match="revocation list beside the key counted until"):
        seal.sign(CONTENT, signer, role="contractor", commitment="origin", now=NOW + 500 * DAY)
    with pytest.raises(Exception, match="counts from"):
        seal.sign(CONTENT, signer, role="contractor", commitment="origin", now=NOW + 4 * YEAR)
    keys.refresh_list(office[0].directory, "a b c", now=NOW + 500 * DAY)
    signer = keys.load_signer(office[0].signer_p12, "a b c")
    assert seal.sign(CONTENT, signer, role="contractor", commitment="origin", now=NOW + 500 * DAY)
