"""The layout of BagIt 1.0: written, read by others, and every damage named."""

import os
import subprocess
from pathlib import Path

import bagit
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermlab.archives.bags import (
    MANIFEST,
    TAG_MANIFEST,
    check_bag,
    decode_path,
    encode_path,
    read_manifest,
    write_tags,
)
from thermlab.base.errors import ArchiveError, InputError, show_name
from thermlab.base.files import copy_file, replace_file, walk_files

PLAIN = {"a.csv": b"1,2\n", "logs/Messung 25 °C.csv": b"x" * 5000, "logs/empty": b"", "photos/日本語.jpg": b"\xff\xd8"}
ODD = {
    "100%.csv": b"1",
    "%25.csv": b"2",
    "line\nbreak.csv": b"3",
    "back\rfeed.csv": b"4",
    "slash\\back": b"5",
    " sp ": b"6",
}


def make_bag(folder: Path, files: dict[str, bytes]) -> Path:
    source = folder.with_name("source")
    digests = {}
    for name, content in files.items():
        place = source / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(content)
        digests[f"data/{name}"] = copy_file(place, folder / "data" / name)
    write_tags(folder, digests, [("Bagging-Date", "2026-03-04"), ("External-Description", "two\nlines")])
    return folder


@pytest.fixture
def bag(tmp_path):
    return make_bag(tmp_path / "bag", PLAIN)


def change(path: Path, content: bytes) -> None:
    path.chmod(0o644)
    path.write_bytes(content)


def test_declares_version_one_and_utf8(bag):
    assert (bag / "bagit.txt").read_bytes() == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    assert "External-Description: two lines\n" in (bag / "bag-info.txt").read_text(encoding="utf-8")


def test_an_independent_library_verifies_it(bag):
    found = bagit.Bag(str(bag))

    found.validate()

    assert found.version_info == (1, 0)


@pytest.mark.parametrize("listing", [MANIFEST, TAG_MANIFEST])
def test_sha256sum_verifies_it(bag, listing):
    result = subprocess.run(
        ["sha256sum", "-c", "--strict", "--quiet", listing], cwd=bag, capture_output=True, check=False
    )

    assert result.returncode == 0, result.stdout + result.stderr


def test_an_untouched_bag_is_whole(bag):
    check = check_bag(bag)

    assert check.ok
    assert check.n_files == len(PLAIN) + 4
    assert check.summary().endswith("all as filed")


def test_names_with_percent_and_line_breaks_come_back(tmp_path):
    bag = make_bag(tmp_path / "bag", ODD)

    assert check_bag(bag).ok
    assert set(read_manifest(bag / MANIFEST)) == {f"data/{name}" for name in ODD}
    assert b"data/line%0Abreak.csv\n" in (bag / MANIFEST).read_bytes()
    assert b"data/%2525.csv\n" in (bag / MANIFEST).read_bytes()


@given(st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0")))
def test_encoding_of_paths_is_undone_by_decoding(name):
    encoded = encode_path(name)

    assert decode_path(encoded) == name
    assert "\n" not in encoded
    assert "\r" not in encoded


def test_each_flipped_byte_is_found_and_its_file_named(bag):
    for name in [f"data/{name}" for name, content in PLAIN.items() if content] + ["bag-info.txt"]:
        content = (bag / name).read_bytes()
        for place in {0, len(content) // 2, len(content) - 1}:
            change(bag / name, content[:place] + bytes([content[place] ^ 1]) + content[place + 1 :])

            assert check_bag(bag).changed == (name,)
        change(bag / name, content)
    assert check_bag(bag).ok


def test_a_truncated_file_is_changed(bag):
    change(bag / "data/logs/Messung 25 °C.csv", b"x" * 4999)

    assert check_bag(bag).changed == ("data/logs/Messung 25 °C.csv",)


def test_a_removed_file_is_missing(bag):
    (bag / "data/a.csv").unlink()

    assert check_bag(bag).missing == ("data/a.csv",)


@pytest.mark.parametrize("name", ["data/logs/new.csv", "note.txt", ".hidden"])
def test_an_added_file_is_named(bag, name):
    (bag / name).write_bytes(b"new")

    assert check_bag(bag).added == (name,)


def test_an_edited_manifest_is_named_with_the_file_it_lies_about(bag):
    change(bag / "data/a.csv", b"forged")
    text = (bag / MANIFEST).read_text(encoding="utf-8").splitlines(keepends=True)
    change(bag / MANIFEST, "".join(line for line in text if not line.endswith("data/a.csv\n")).encode())

    check = check_bag(bag)

    assert check.changed == (MANIFEST,)
    assert check.added == ("data/a.csv",)


@pytest.mark.parametrize("name", ["bagit.txt", "bag-info.txt", MANIFEST])
def test_a_changed_list_is_named(bag, name):
    change(bag / name, (bag / name).read_bytes() + b" ")

    check = check_bag(bag)

    assert not check.ok
    assert name in check.changed


@pytest.mark.parametrize("name", ["bagit.txt", MANIFEST, TAG_MANIFEST])
def test_a_missing_list_is_a_problem(bag, name):
    (bag / name).unlink()

    check = check_bag(bag)

    assert not check.ok
    assert any(name in problem for problem in check.problems)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        (b"0" * 64 + b"  ../outside", "leaves the bag"),
        (b"0" * 64 + b"  /etc/passwd", "leaves the bag"),
        (b"0" * 64 + b"  data/a/../../b", "leaves the bag"),
        (b"nonsense", "not a sum and a path"),
        (b"0" * 64 + b"  data/\xff", "not UTF-8"),
    ],
)
def test_hostile_manifest_lines_are_refused(tmp_path, line, message):
    (tmp_path / MANIFEST).write_bytes(b"0" * 64 + b"  data/ok\n" + line + b"\n")

    with pytest.raises(ArchiveError, match=message):
        read_manifest(tmp_path / MANIFEST)


def test_a_path_listed_twice_is_refused(tmp_path):
    (tmp_path / MANIFEST).write_bytes((b"0" * 64 + b"  data/ok\n") * 2)

    with pytest.raises(ArchiveError, match=f"{MANIFEST}:2: listed twice"):
        read_manifest(tmp_path / MANIFEST)


def test_a_link_in_a_bag_is_named_and_not_followed(bag, tmp_path):
    (tmp_path / "secret").write_bytes(PLAIN["a.csv"])
    (bag / "data/a.csv").unlink()
    (bag / "data/a.csv").symlink_to(tmp_path / "secret")

    check = check_bag(bag)

    assert check.missing == ("data/a.csv",)
    assert check.problems == ("data/a.csv is a symbolic link",)


def test_names_decomposed_by_a_file_system_are_the_same_names(tmp_path):
    bag = make_bag(tmp_path / "bag", {"\u00e9t\u00e9": b"1"})
    (bag / "data/\u00e9t\u00e9").rename(bag / "data/e\u0301te\u0301")

    assert check_bag(bag).ok


def test_a_folder_that_is_no_bag_is_bad_input(tmp_path):
    with pytest.raises(InputError, match=r"no bagit\.txt and no manifest; allowed: the folder of a bag"):
        check_bag(tmp_path)


def test_an_older_draft_of_the_layout_is_read(bag, tmp_path):
    old = tmp_path / "old"
    old.mkdir()
    (old / "a.csv").write_bytes(b"1")
    bagit.make_bag(str(old), checksums=["sha256"])

    assert check_bag(old).ok


def test_an_unknown_version_is_a_problem(bag):
    change(bag / "bagit.txt", b"BagIt-Version: 9.0\nTag-File-Character-Encoding: UTF-8\n")

    assert any("does not declare BagIt" in problem for problem in check_bag(bag).problems)


def test_copying_refuses_links_devices_and_existing_targets(tmp_path):
    (tmp_path / "file").write_bytes(b"1")
    (tmp_path / "link").symlink_to("file")
    (tmp_path / "there").write_bytes(b"2")

    for source in (tmp_path / "link", Path("/dev/zero"), tmp_path):
        with pytest.raises(OSError):  # noqa: PT011 - the text is the system's
            copy_file(source, tmp_path / "copy")
    with pytest.raises(FileExistsError):
        copy_file(tmp_path / "file", tmp_path / "there")
    assert (tmp_path / "there").read_bytes() == b"2"


def test_a_pipe_in_a_files_place_does_not_hang(tmp_path):
    os.mkfifo(tmp_path / "pipe")

    with pytest.raises(OSError, match="not a regular file"):
        copy_file(tmp_path / "pipe", tmp_path / "copy")
    assert [problem.found for problem in walk_files(tmp_path)[1]] == ["a device, socket or pipe"]


def test_a_name_that_is_no_text_is_a_problem(tmp_path):
    (tmp_path / os.fsdecode(b"caf\xe9.csv")).write_bytes(b"1")

    files, problems = walk_files(tmp_path)

    assert files == []
    assert problems[0].found == "a name that is not UTF-8"


def test_shown_names_cannot_move_the_cursor():
    assert show_name("a\x1b[2Jb\n") == "a\\x1b[2Jb\\n"
    assert show_name("été 25 °C.csv") == "été 25 °C.csv"


def test_a_replaced_file_has_the_new_content_and_nothing_beside(tmp_path):
    (tmp_path / "list").write_bytes(b"old")

    replace_file(tmp_path / "list", b"new")

    assert [(entry.name, entry.read_bytes()) for entry in tmp_path.iterdir()] == [("list", b"new")]
