"""The writer's promises: one pass, one rename, nothing half-written, nothing written over."""

from __future__ import annotations

import errno
import os
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from beadroll.errors import InputError, MachineError
from beadroll.package import layout, sinks, zip64
from beadroll.package.layout import Form
from beadroll.package.manifest import BagInfo
from beadroll.package.read import PackageReader
from beadroll.package.staging import Staging, staging_path
from beadroll.package.verify import inspect
from beadroll.package.workers import over_each
from beadroll.package.write import PackageWriter, add_seal
from tests import packages

forms = pytest.mark.parametrize("form", Form)


@forms
def test_two_builds_give_the_same_payload_lists_and_tree(form, tmp_path):
    first = packages.build(tmp_path / "a", form)
    with PackageWriter.create(tmp_path / "b", name=packages.NAME, form=form) as writer:
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(lambda item: writer.add(*item), reversed(packages.FILES.items())))
        second = writer.finish(packages.INFO, sealer=packages.seal)
    assert packages.payload_bytes(tmp_path / "a") == packages.payload_bytes(tmp_path / "b") == packages.FILES
    assert (first.tagmanifest, first.files) == (second.tagmanifest, second.files)


def test_two_builds_in_the_same_order_give_the_same_zip_byte_for_byte(tmp_path):
    for name in "ab":
        packages.build(tmp_path / name, Form.ZIP)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


@forms
def test_a_file_from_disk_and_the_same_bytes_in_parts_are_written_alike(form, tmp_path):
    data = os.urandom(3 * sinks.BLOCK + 17)
    (tmp_path / "source").write_bytes(data)
    with PackageWriter.create(tmp_path / "p", name="p", form=form) as writer:
        one = writer.add_file("data/one", tmp_path / "source")
        two = writer.add("data/two", [data[:5], memoryview(data)[5:], bytearray()])
        writer.finish(BagInfo())
    assert (one.size, one.sha512) == (two.size, two.sha512)
    assert packages.payload_bytes(tmp_path / "p") == {"data/one": data, "data/two": data}
    assert packages.look(tmp_path / "p") == []


@forms
def test_many_threads_may_write_at_once(form, tmp_path):
    files = {f"data/{n:03}": os.urandom(n * 997) for n in range(200)}
    with PackageWriter.create(tmp_path / "p", name="p", form=form) as writer:
        with ThreadPoolExecutor(8) as pool:
            list(pool.map(lambda item: writer.add(*item), files.items()))
        writer.finish(BagInfo())
    assert packages.payload_bytes(tmp_path / "p") == files
    assert packages.look(tmp_path / "p") == []


@forms
def test_leaving_without_finish_leaves_nothing(form, tmp_path):
    def stop():
        with PackageWriter.create(tmp_path / "p", name="p", form=form) as writer:
            writer.add("data/a", b"a")
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        stop()
    assert list(tmp_path.iterdir()) == []


@forms
def test_an_existing_destination_is_kept_unless_replacing_is_stated(form, tmp_path):
    packages.build(tmp_path / "p", form)
    with pytest.raises(InputError, match="there already") as caught:
        packages.build(tmp_path / "p", form, {"data/new": b"new"})
    assert caught.value.remedy
    assert packages.payload_bytes(tmp_path / "p") == packages.FILES
    with PackageWriter.create(tmp_path / "p", name="p", form=form, replace=True) as writer:
        writer.add("data/new", b"new")
        assert packages.payload_bytes(tmp_path / "p") == packages.FILES
        writer.finish(BagInfo())
    assert packages.payload_bytes(tmp_path / "p") == {"data/new": b"new"}
    assert [path.name for path in tmp_path.iterdir()] == ["p"]


def test_a_replacement_killed_between_its_renames_gives_the_old_package_back(tmp_path):
    packages.build(tmp_path / "p", Form.FOLDER)
    (tmp_path / "p").rename(tmp_path / ".p.replaced")
    with pytest.raises(InputError, match="there already"):
        packages.build(tmp_path / "p", Form.FOLDER)
    assert packages.look(tmp_path / "p") == []


@forms
def test_a_second_build_of_the_same_package_waits_its_turn(form, tmp_path):
    with PackageWriter.create(tmp_path / "p", name="p", form=form) as writer:
        writer.add("data/a", b"a")
        with pytest.raises(MachineError, match="another build"):
            packages.build(tmp_path / "p", form)
        writer.finish(BagInfo())
    assert packages.payload_bytes(tmp_path / "p") == {"data/a": b"a"}


@forms
@pytest.mark.parametrize("left", Form)
def test_what_a_killed_build_left_is_cleared(form, left, tmp_path):
    hidden = staging_path(tmp_path / "p")
    if left is Form.FOLDER:
        (hidden / "data").mkdir(parents=True)
        (hidden / "data/half").write_bytes(b"half")
    else:
        hidden.write_bytes(b"half")
    packages.build(tmp_path / "p", form)
    assert packages.look(tmp_path / "p") == []
    assert [path.name for path in tmp_path.iterdir()] == ["p"]


def test_of_many_builds_at_once_one_wins_and_the_package_is_whole(tmp_path):
    results = []
    gate = threading.Barrier(6)

    def one(_):
        gate.wait()
        try:
            results.append(packages.build(tmp_path / "p", Form.FOLDER))
        except (InputError, MachineError) as error:
            results.append(error)

    with ThreadPoolExecutor(6) as pool:
        list(pool.map(one, range(6)))
    assert sum(not isinstance(each, Exception) for each in results) == 1
    assert packages.look(tmp_path / "p") == []
    assert [path.name for path in tmp_path.iterdir()] == ["p"]


@pytest.mark.parametrize("path", ["x", "../data/x", "data/../x", "data/é", "data/A", "data/a/b", "DATA/x", "data"])
def test_a_path_that_may_not_stand_in_a_package_is_refused(path, tmp_path):
    with PackageWriter.create(tmp_path / "p", name="p", form=Form.FOLDER) as writer:
        writer.add("data/a", b"a")
        with pytest.raises(ValueError, match=r"may not stand|clashes|under data|already"):
            writer.add(path, b"x")
        writer.finish(BagInfo())
    assert packages.payload_bytes(tmp_path / "p") == {"data/a": b"a"}


def test_a_file_cannot_take_the_place_of_a_folder(tmp_path):
    with PackageWriter.create(tmp_path / "p", name="p", form=Form.ZIP) as writer:
        writer.add("data/a/b", b"a")
        with pytest.raises(ValueError, match="already"):
            writer.add("data/a", b"x")


@pytest.mark.parametrize("path", ["data/x", "seals/x.p7s", layout.MANIFEST, layout.TAG_MANIFEST, layout.FETCH])
def test_a_further_tag_file_cannot_pass_for_another(path, tmp_path):
    with (
        pytest.raises(ValueError, match="further file"),
        PackageWriter.create(tmp_path / "p", name="p", form=Form.ZIP) as writer,
    ):
        writer.finish(BagInfo(), {path: b"x"})
    assert list(tmp_path.iterdir()) == []


def test_further_tag_files_are_listed_and_sealed(tmp_path):
    with PackageWriter.create(tmp_path / "p", name="p", form=Form.FOLDER) as writer:
        writer.add("data/a", b"a")
        finished = writer.finish(BagInfo(), {"proof/volumes.txt": b"one\n"})
    assert b"  proof/volumes.txt\n" in finished.tagmanifest
    assert packages.look(tmp_path / "p") == []


def test_the_seal_is_made_over_the_very_bytes_of_the_tag_manifest(tmp_path):
    finished = packages.build(tmp_path / "p", Form.FOLDER)
    assert (tmp_path / "p" / layout.TAG_MANIFEST).read_bytes() == finished.tagmanifest
    assert (tmp_path / "p/seals/contractor.p7s").read_bytes() == packages.seal(finished.tagmanifest)["contractor"]
    assert b"seals/" not in finished.tagmanifest


@forms
def test_a_failing_sealer_leaves_nothing(form, tmp_path):
    def fail(_):
        raise MachineError("no key", remedy="Plug the key in.")

    with (
        pytest.raises(MachineError, match="no key"),
        PackageWriter.create(tmp_path / "p", name="p", form=form) as writer,
    ):
        writer.finish(BagInfo(), sealer=fail)
    assert list(tmp_path.iterdir()) == []


@forms
@pytest.mark.parametrize("change", ["grow", "shrink", "touch"])
def test_a_source_that_changes_while_it_is_read_is_refused_and_the_package_with_it(form, change, tmp_path, monkeypatch):
    source = tmp_path / "source"
    source.write_bytes(os.urandom(sinks.BLOCK + 5))
    real = os.readv

    def changing(fd, buffers):
        if change == "grow":
            with source.open("ab") as stream:
                stream.write(b"more")
        elif change == "shrink":
            os.truncate(source, 3)
        else:
            os.utime(source, ns=(1, 1))
        return real(fd, buffers)

    monkeypatch.setattr(os, "readv", changing)
    with PackageWriter.create(tmp_path / "p", name="p", form=form) as writer:
        with pytest.raises(InputError, match="changed while"):
            writer.add_file("data/a", source)
        with pytest.raises(MachineError, match="cannot be finished"):
            writer.finish(BagInfo())
    assert [path.name for path in tmp_path.iterdir()] == ["source"]


def test_a_source_that_is_no_plain_file_is_refused_without_waiting(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with PackageWriter.create(tmp_path / "p", name="p", form=Form.ZIP) as writer:
        for name in ("pipe", ".", "missing"):
            with pytest.raises(InputError, match="cannot be read"):
                writer.add_file("data/a", tmp_path / name)
        writer.finish(BagInfo())


@forms
def test_a_full_disk_is_an_error_with_a_remedy_and_leaves_nothing(form, tmp_path, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    with PackageWriter.create(tmp_path / "p", name="p", form=form) as writer:
        with monkeypatch.context() as patched:
            patched.setattr(os, "pwrite", full)
            with pytest.raises(MachineError, match="No space left") as caught:
                writer.add("data/a", b"a")
        assert "room" in caught.value.remedy
        with pytest.raises(MachineError, match="cannot be finished"):
            writer.finish(BagInfo())
    assert list(tmp_path.iterdir()) == []


def test_a_missing_parent_folder_is_named(tmp_path):
    with pytest.raises(InputError, match="does not exist"):
        packages.build(tmp_path / "no/p", Form.ZIP)


@pytest.mark.parametrize("name", ["", "a/b", "..", "nul", "a b"])
def test_a_package_cannot_have_an_unfit_name(name, tmp_path):
    with (
        pytest.raises(ValueError, match="cannot name a package"),
        PackageWriter.create(tmp_path / "p", name=name, form=Form.ZIP),
    ):
        pass


@forms
def test_a_later_seal_changes_nothing_that_was_sealed(form, tmp_path):
    finished = packages.build(tmp_path / "p", form)
    add_seal(tmp_path / "p", "client", b"client's seal")
    assert packages.look(tmp_path / "p") == []
    with PackageReader.open(tmp_path / "p") as reader:
        assert reader.read("seals/client.p7s", 100) == b"client's seal"
        assert reader.read(layout.TAG_MANIFEST, 1 << 20) == finished.tagmanifest
        assert reader.read("seals/contractor.p7s", 1000) == finished.seals["contractor"]
    assert packages.payload_bytes(tmp_path / "p") == packages.FILES
    assert [path.name for path in tmp_path.iterdir()] == ["p"]


@forms
def test_a_countersigners_statement_comes_in_with_its_seal(form, tmp_path):
    packages.build(tmp_path / "p", form)
    add_seal(tmp_path / "p", "inspector", b"seal", statement=b"{}\n")
    assert packages.look(tmp_path / "p") == []
    assert inspect(tmp_path / "p", judge_seals=None).seals.keys() == {
        "seals/contractor.p7s",
        "seals/inspector.json",
        "seals/inspector.p7s",
    }


@forms
def test_a_seal_is_never_replaced(form, tmp_path):
    packages.build(tmp_path / "p", form)
    with pytest.raises(InputError, match="already"):
        add_seal(tmp_path / "p", "contractor", b"other")
    with PackageReader.open(tmp_path / "p") as reader:
        assert reader.read("seals/contractor.p7s", 1000) != b"other"
    assert [path.name for path in tmp_path.iterdir()] == ["p"]


@forms
def test_seals_added_at_once_are_all_kept_or_said_to_have_waited(form, tmp_path):
    packages.build(tmp_path / "p", form)
    refused = []

    def one(number):
        try:
            add_seal(tmp_path / "p", f"role{number}", b"seal")
        except MachineError:
            refused.append(number)

    with ThreadPoolExecutor(6) as pool:
        list(pool.map(one, range(12)))
    with PackageReader.open(tmp_path / "p") as reader:
        kept = {name for name in reader.names() if name.startswith("seals/role")}
    assert kept == {f"seals/role{number}.p7s" for number in range(12) if number not in refused}
    assert packages.look(tmp_path / "p") == []


def test_a_damaged_package_gets_no_seal(tmp_path):
    (tmp_path / "p").write_bytes(b"not a zip")
    with pytest.raises(InputError, match="not sound"):
        add_seal(tmp_path / "p", "client", b"x")
    assert (tmp_path / "p").read_bytes() == b"not a zip"
    with pytest.raises(InputError, match="cannot be opened"):
        add_seal(tmp_path / "missing", "client", b"x")
    assert [path.name for path in tmp_path.iterdir()] == ["p"]


def test_a_zip_is_copied_where_the_system_cannot_copy_by_itself(tmp_path, monkeypatch):
    packages.build(tmp_path / "p", Form.ZIP)

    def unable(*_):
        raise OSError(errno.EXDEV, "Invalid cross-device link")

    monkeypatch.setattr(os, "copy_file_range", unable)
    add_seal(tmp_path / "p", "client", b"client's seal")
    assert packages.look(tmp_path / "p") == []


def test_a_zip_beyond_four_gigabytes_is_read_back(tmp_path):
    """Sparse: the sizes and offsets are real, the disk space is not."""
    name = "p/data/big"
    size = (4 << 30) + 12345
    big = zip64.Record(name=name, size=size, crc=0, offset=0)
    after = zip64.Record(name="p/data/small", size=5, crc=0, offset=zip64.header_size(name) + size)
    with (tmp_path / "p.zip").open("wb") as stream:
        stream.write(zip64.local_header(big))
        stream.seek(after.offset)
        stream.write(zip64.local_header(after) + b"small" + zip64.central_directory([big, after]))
    with PackageReader.open(tmp_path / "p.zip") as reader:
        assert reader.findings == ()
        assert reader.members["data/big"].size == size
        assert reader.read("data/small", 10) == b"small"
        with reader.open_file("data/big") as opened:
            opened.seek(-1, os.SEEK_END)
            assert opened.read() == b"\0"


@forms
def test_an_opened_file_reads_and_seeks_like_any_other(form, tmp_path):
    packages.build(tmp_path / "p", form)
    data = packages.FILES[packages.RADIOGRAPH]
    with PackageReader.open(tmp_path / "p") as reader, reader.open_file(packages.RADIOGRAPH) as stream:
        assert stream.read(10) == data[:10]
        assert stream.seek(-3, os.SEEK_END) == len(data) - 3
        assert stream.read() == data[-3:]
        stream.seek(0)
        assert stream.read() == data
        assert stream.read(1) == b""
        with pytest.raises(InputError, match="more than the 10 allowed"):
            reader.read(packages.RADIOGRAPH, 10)
        with pytest.raises(KeyError):
            reader.read("data/none", 10)


def test_a_lock_is_given_up_when_the_staging_ends(tmp_path):
    staging = Staging(tmp_path / "p", folder=True, replace=False)
    staging.discard()
    Staging(tmp_path / "p", folder=True, replace=False).discard()
    assert list(tmp_path.iterdir()) == []


def test_work_over_many_things_stops_at_the_first_error():
    done = []

    def work(number):
        if number == 5:
            raise MachineError("stop", remedy="none")
        done.append(number)

    with pytest.raises(MachineError, match="stop"):
        over_each(iter(range(10**9)), work, threads=2)
    assert len(done) < 10**6
    done.clear()
    over_each(range(100), done.append, threads=3)
    assert sorted(done) == list(range(100))
