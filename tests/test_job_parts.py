"""The parts of a job, each by itself: list, names, folder, verdicts, copies, times, drift, text."""

from __future__ import annotations

import hashlib
import io
import os
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from calibration.fittings import Misuse, demo_catalog
from cli import disk
from cli.files import whole_file
from cli.jobs import worker
from cli.jobs.bynames import lying_apart, told_apart
from cli.jobs.days import parse_day
from cli.jobs.drift import chart
from cli.jobs.duplicates import NEAR_BITS, are_near, near_copies, picture_hashes, same_pictures
from cli.jobs.engine import Processes
from cli.jobs.errors import JobError
from cli.jobs.folder import Found, Skipped, walk
from cli.jobs.listing import Joint, Listing, read_list
from cli.jobs.matching import Matcher, file_form, joint_name
from cli.jobs.text import cell, name_of, visible
from cli.jobs.timing import far_from, out_of_order, taken_at
from cli.jobs.verdicts import joint_word
from tests.job_stub import LIMIT, answer, fill, photo, stub_inspection

# --- the list ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "data",
    [
        b"joint,fitting,photo pattern,location\nJ-1,demo-2,J-1*,Sump\n",
        b"\xef\xbb\xbfJoint;Fitting;Photo_Pattern;Location\r\nJ-1;demo-2;J-1*;Sump\r\n",
        b"LOCATION\tPhoto-pattern\tfitting\tjoint\nSump\tJ-1*\tdemo-2\tJ-1\n",
    ],
)
def test_list_is_read_however_a_spreadsheet_saved_it(data: bytes) -> None:
    assert read_list(data).joints == (Joint("J-1", "demo-2", "J-1*", "Sump"),)


def test_list_in_windows_letters() -> None:
    assert read_list("joint,location\nJ-1,Zürich\n".encode("cp1252")).joints[0].location == "Zürich"


@pytest.mark.parametrize("line", ["sep=;\n", "sep=;\r\n", '"sep=;"\n', "SEP=;\n"])
def test_a_list_may_name_its_separator_first(line: str) -> None:
    """As spreadsheets write and heed it; the columns are named after that."""
    text = f"{line}joint;fitting;location\nJ-1;2;Sump, north, east\n"
    assert read_list(text.encode()).joints == (Joint("J-1", "2", location="Sump, north, east"),)


def test_list_needs_only_joint_and_fitting_and_takes_a_default() -> None:
    assert [joint.fitting for joint in read_list(b"joint,fitting\nA,x\nB,\n", "y").joints] == ["x", "y"]


def test_list_says_what_it_could_not_understand_and_goes_on() -> None:
    listing = read_list(b"joint,fitting,date\nA,x,soon\nA,x,\n,x,\n,,\nB,x,2026-05-04\n")
    assert [joint.name for joint in listing.joints] == ["A", "B"]
    assert len(listing.problems) == 3
    assert "'soon'" in listing.problems[0]


@pytest.mark.parametrize("data", [b"", b"name,size\nA,2\n", b"joint,fitting\n", b"\0\0\0", b"\xff\xfe\x00j"])
def test_list_that_is_none_is_refused_with_a_remedy(data: bytes) -> None:
    with pytest.raises(JobError, match=r"joints\.csv"):
        read_list(data)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig", "cp1252"])
def test_list_as_spreadsheets_save_unicode_text(encoding: str) -> None:
    data = "joint\tfitting\tlocation\r\nJ-1\tdemo-2\tZürich, 2\" riser\r\n".encode(encoding)
    assert read_list(data).joints == (Joint("J-1", "demo-2", location='Zürich, 2" riser'),)


def test_list_with_a_quotation_mark_that_is_never_closed_is_refused() -> None:
    with pytest.raises(JobError, match=r"quotation mark in row 3 is never closed"):
        read_list(b'joint,fitting,location\nA,x,\nB,x,"Sump\nC,x,\n')


def test_list_says_which_row_has_moved_cells_and_counts_empty_ones() -> None:
    listing = read_list(b"joint,fitting,location,installer\n\nA,x,Pump 3, island 2,Max\nB,x,,,,\n")
    assert [joint.name for joint in listing.joints] == ["A", "B"]
    assert [problem.split(" of ")[0] for problem in listing.problems] == ["Row 3"]


def test_list_with_two_columns_of_one_meaning_is_refused() -> None:
    with pytest.raises(JobError, match=r"'sides' and 'Sides'"):
        read_list(b"joint,fitting,sides,Sides\nA,x,90,180\n")


def test_list_says_that_the_pipes_sides_need_the_joints() -> None:
    told = read_list(b"joint,fitting,sides,premark sides\nA,x,,90\nB,x,0 90,90\n")
    assert len(told.problems) == 1
    assert "Joint A has the sides of its marked pipe's photos" in told.problems[0]


def test_list_says_how_a_date_was_read_that_may_be_meant_otherwise() -> None:
    told = read_list(b"joint,fitting,date\nA,x,6/6/2026\nB,x,5/4/2026\nC,x,7/4/2026\n")
    assert [joint.date for joint in told.joints] == ["2026-06-06", "2026-05-04", "2026-07-04"]
    assert len(told.problems) == 1
    assert "5/4/2026" in told.problems[0]
    assert "2026-05-04 or 2026-04-05" in told.problems[0]


@pytest.mark.parametrize(("sure", "day"), [("5/25/2026", "2026-05-04"), ("25/5/2026", "2026-04-05")])
def test_one_date_that_can_be_read_in_one_order_only_settles_that_of_the_list(sure: str, day: str) -> None:
    told = read_list(f"joint,fitting,date\nA,x,5/4/2026\nB,x,{sure}\n".encode())
    assert [joint.date for joint in told.joints] == [day, "2026-05-25"]
    assert not told.problems


def test_days() -> None:
    told = ["2026-05-04", "5/4/2026", "04.05.2026", "2026-05-04T10:00:00", "May 4, 2026", "20260504"]
    assert {parse_day(text) for text in told} == {date(2026, 5, 4)}
    assert parse_day("99/99/2026") is None


# --- which joint -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "joint"),
    [
        ("J-014_2.jpg", "J-014"),
        ("J-014.jpg", "J-014"),
        ("J-014 (3).JPG", "J-014"),
        ("north/J-014_2.jpg", "J-014"),
        ("J-014/IMG_2031.jpg", "J-014"),
        ("J-014/PXL_20260504_102030123.jpg", "J-014"),
        ("J-014/3.jpg", "J-014"),
        ("J-014/left.jpg", "J-014"),
        ("014_2.jpg", "014"),
        ("IMG_2031.jpg", "IMG_2031"),
        ("north/left.jpg", "north/left"),
        ("clean_01.jpg", "clean_01"),
        ("Floor 1 joint 5.jpg", "Floor 1 joint 5"),
        ("L2-J 14.jpg", "L2-J 14"),
        ("L2-J 14/IMG_2031.jpg", "L2-J 14"),
        ("B2_01.jpg", "B2"),
        ("Monday 12/IMG_2031.jpg", "Monday 12/IMG_2031"),
        ("2026-05-04/IMG_2031.jpg", "2026-05-04/IMG_2031"),
        ("100ABCDE/DSC_0012.jpg", "100ABCDE/DSC_0012"),
        ("Floor 3/14.jpg", "14"),
    ],
)
def test_joint_from_the_names_of_file_and_folder(name: str, joint: str) -> None:
    assert joint_name(name) == joint
    assert [each.name for each in Matcher(None, "x").joints(name)] == [joint]


def test_one_name_in_two_folders_is_two_joints_without_a_list() -> None:
    photos = ["crew A/J-1.jpg", "crew A/J-1_before.jpg", "crew B/J-1/IMG_1.jpg", "J-2_1.jpg", "J-2/IMG_4.jpg",
              "pipes/J-3_before.jpg", "made/J-3.jpg"]
    apart = lying_apart(photos)
    assert apart == {"J-1": ["crew A", "crew B"]}
    matcher = Matcher(None, "x", apart)
    assert [joint.name for photo in photos for joint in matcher.joints(photo)] == [
        "crew A/J-1", "crew A/J-1", "crew B/J-1", "J-2", "J-2", "J-3", "J-3"]
    assert "J-1 (crew A and crew B)" in told_apart(apart)[0]


def test_two_joints_never_become_one_by_their_names() -> None:
    names = [f"IMG_{number}.jpg" for number in range(2000, 2100)] + [
        f"P{number}.jpg" for number in range(1, 60)
    ]
    assert len({joint_name(name) for name in names}) == len(names)


def _matcher(*rows: tuple[str, str]) -> Matcher:
    return Matcher(
        Listing(tuple(Joint(name, "x", pattern, order=at) for at, (name, pattern) in enumerate(rows)))
    )


def test_patterns_come_before_names_and_know_folders() -> None:
    matcher = _matcher(("A", "day1/*.jpg"), ("B", "B_?.jpg|extra*"), ("J-1", ""), ("J-14", ""))
    for name, joint in [("day1/x.JPG", "A"), ("deep/b_1.jpg", "B"),
                        ("extra9.jpg", "B"), ("J-14_2.jpg", "J-14"),
                        ("J-1/x.jpg", "J-1"), ("j-1-2.jpg", "J-1")]:  # fmt: skip
        assert [each.name for each in matcher.joints(name)] == [joint], name
    assert matcher.joints("J-140.jpg") == []


def test_signs_that_no_files_name_can_hold_are_known_by_their_wide_form() -> None:
    matcher = _matcher(("J-1", ""), ("J-1/2", ""), ("Strång", ""), ("a:b", ""), ("a：b", ""))
    for name, joints in [("J-1_2.jpg", ["J-1"]), ("J-1／2_1.jpg", ["J-1/2"]), ("Stra\u030ang 2.jpg", ["Strång"]),
                         ("a：b.jpg", ["a：b"])]:
        assert [each.name for each in matcher.joints(name)] == joints, name
    assert file_form(".J 1/2\n.") == "．J 1／2\ufffd．"
    assert len(file_form("ü" * 500).encode()) <= 180
    assert file_form("ü" * 500) != file_form("ü" * 501)


def test_a_photo_may_match_two_patterns() -> None:
    assert [each.name for each in _matcher(("A", "*.jpg"), ("B", "x*")).joints("x.jpg")] == ["A", "B"]


# --- the folder --------------------------------------------------------------------------------------


def test_walk_finds_photos_in_any_depth_and_nothing_else(tmp_path: Path) -> None:
    fill(
        tmp_path,
        dict.fromkeys(["b.JPG", "a/x/y.heic", "a/notes.txt", ".hidden.jpg", ".git/z.jpg"], b"1"),
    )
    assert [thing.relative for thing in walk(tmp_path)] == ["b.JPG", "a/x/y.heic"]


def test_walk_does_not_leave_the_folder(tmp_path: Path) -> None:
    outside = fill(tmp_path / "outside", {"secret.jpg": b"1"})
    job = fill(tmp_path / "job", {"a.jpg": b"1"})
    (job / "out.jpg").symlink_to(outside / "secret.jpg")
    (job / "folder").symlink_to(outside)
    (job / "loop").symlink_to(job)
    (job / "same.jpg").symlink_to(job / "a.jpg")
    (job / "broken.jpg").symlink_to(job / "gone.jpg")
    os.mkfifo(job / "pipe.jpg")
    things = {thing.relative: thing for thing in walk(job)}
    assert {name for name, thing in things.items() if isinstance(thing, Found)} == {"a.jpg", "same.jpg"}
    skipped = {name: thing.why for name, thing in things.items() if isinstance(thing, Skipped)}
    assert "outside the job folder" in skipped["out.jpg"]
    assert set(skipped) == {"out.jpg", "folder", "loop", "broken.jpg", "pipe.jpg"}


# --- verdicts ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "joint"),
    [
        (["full"], "full"),
        (["full", "unproven"], "full"),
        (["full", "none"], "full"),
        (["full", "full", "beyond"], "unproven"),
        (["short", "beyond"], "short"),
        (["short"], "short"),
        (["short", "unproven"], "short"),
        (["full", "short"], "unproven"),
        (["unproven"], "unproven"),
        ([], "unproven"),
    ],
)
def test_joint_word(words: list[str], joint: str) -> None:
    assert joint_word([_answer(word) for word in words], 2) == joint


def _answer(says: str) -> dict:
    task = worker.Task(1, "", "a.jpg", demo_catalog()[1], None, 0.95, "in", frozenset(), "1", stub_inspection)
    return answer(task, says)


@pytest.mark.parametrize(("enough", "joint"), [(0.7, "full"), (0.3, "unproven")])
def test_where_the_insertion_decides_no_gap_speaks_against_a_joint(enough: float, joint: str) -> None:
    both = [_answer("full"), _answer("short") | {"verdict": "unproven", "p_inserted": enough}]
    assert joint_word(both, 2) == joint


def test_a_joint_at_its_limit_is_no_likelier_full_the_more_photos_are_taken() -> None:
    """Gaps measured of one that lies at the limit, each 0.005 off: 2.5 in 100 of the photos are falsely full."""
    rng, told = np.random.default_rng(1), {1: 0, 10: 0}
    for _ in range(1000):
        gaps = LIMIT + rng.normal(0, 0.005, 10)
        answers = [_answer("full" if gap + 1.96 * 0.005 <= LIMIT else "unproven") for gap in gaps]
        for made, gap in zip(answers, gaps, strict=True):
            made["gap"] = made["gap"] | {"value": gap}
        for photos in told:
            told[photos] += joint_word(answers[:photos], photos) == "full"
    assert told[10] < told[1] < 40


def test_joint_without_a_photo() -> None:
    assert joint_word([], 0) == "not photographed"


# --- copies ------------------------------------------------------------------------------------------


def _pixels(seed: int, size: tuple[int, int] = (120, 90)) -> Image.Image:
    noise = np.random.default_rng(seed).integers(0, 256, (12, 12, 3), dtype=np.uint8)
    return Image.fromarray(noise).resize(size, Image.Resampling.BICUBIC)


def _same(*hashes: bytes) -> list[list[int]]:
    return same_pictures((each, hashlib.sha256(bytes([place % 256])).hexdigest()) for place, each in enumerate(hashes))


def _near(*rows: np.ndarray) -> list[list[int]]:
    return near_copies(np.array(rows), np.arange(len(rows)))


def _hash(picture: Image.Image) -> bytes:
    return b"".join(picture_hashes(np.asarray(picture.convert("RGB"))))


def test_copies_are_found_and_strangers_are_not() -> None:
    pictures = [_pixels(seed) for seed in range(40)]
    copy = pictures[3].resize((60, 45)).point(lambda level: min(255, level + 12))
    assert _same(*map(_hash, pictures), _hash(copy)) == [[3, 40]]
    assert _same() == []


SAMPLES = Path(__file__).parent.parent / "sample_images"


def _samples() -> dict[str, Image.Image]:
    return {path.stem: Image.open(path).convert("RGB") for folder in ("job", "several")
            for path in sorted((SAMPLES / folder).iterdir()) if path.suffix in (".jpg", ".webp")}


def _sent_again(picture: Image.Image, share: float, way: int) -> Image.Image:
    """Trimmed by a share of each side, turned or mirrored, shrunk and saved anew."""
    wide, high = picture.size
    trimmed = picture.crop((int(share * wide), int(share * high), wide - int(share * wide), high - int(share * high)))
    made = io.BytesIO()
    trimmed.transpose(way).resize((900, 700)).save(made, "JPEG", quality=60)
    return Image.open(made)


def test_no_photo_of_the_samples_is_a_copy_of_another_also_of_one_joint() -> None:
    assert _same(*map(_hash, _samples().values())) == []


@pytest.mark.parametrize("way", [Image.ROTATE_180, Image.FLIP_LEFT_RIGHT, Image.TRANSPOSE])
@pytest.mark.parametrize("share", [0.0, 0.02, 0.03, 0.05])
def test_a_copy_is_found_turned_mirrored_and_trimmed(share: float, way: int) -> None:
    pictures = list(_samples().values())[::4]
    copies = [_hash(_sent_again(picture, share, way)) for picture in pictures]
    assert _same(*map(_hash, pictures), *copies) == [[at, at + len(pictures)] for at in range(len(pictures))]


def test_a_photo_that_an_old_check_knew_by_one_hash_is_found_by_it() -> None:
    picture = _pixels(3)
    old = _hash(picture)[:32]
    assert _same(old, _hash(_pixels(4)), _hash(picture.rotate(180))) == [[0, 2]]


def test_a_dark_picture_has_no_hash() -> None:
    dark = _hash(Image.new("RGB", (80, 60), (7, 7, 7)))
    assert dark == b""
    assert _same(dark, dark) == []
    assert same_pictures([(dark, "ab" * 32)] * 2) == [[0, 1]], "it may still be the same file"


def test_every_pair_up_to_fifteen_bits_apart_is_found() -> None:
    rng = np.random.default_rng(5)
    for _ in range(200):
        first = rng.integers(0, 256, 32, dtype=np.uint8)
        flips = np.zeros(256, np.uint8)
        flips[rng.choice(256, 15, replace=False)] = 1
        assert _near(first, first ^ np.packbits(flips)) == [[0, 1]]
    far = first ^ np.packbits(np.r_[np.ones(NEAR_BITS + 1, np.uint8), np.zeros(255 - NEAR_BITS, np.uint8)])
    assert _near(first, far) == []
    assert not are_near(first.tobytes(), far.tobytes())


def test_ten_thousand_copies_are_one_group() -> None:
    assert [len(group) for group in _same(*[_hash(_pixels(1))] * 10_000)] == [10_000]


# --- times -------------------------------------------------------------------------------------------


def test_exif_time() -> None:
    assert taken_at("2026:05:04 10:20:30\0") == datetime(2026, 5, 4, 10, 20, 30)
    for nonsense in ("", "0000:00:00 00:00:00", "yesterday", "2026:99:04 10:20:30"):
        assert taken_at(nonsense) is None


def test_far_from_the_day_of_the_job() -> None:
    day = date(2026, 5, 4)
    assert far_from(day, datetime(2026, 5, 6, 23)) == ""
    assert far_from(day, datetime(2026, 5, 14)) == "10 days after"
    assert far_from(day, datetime(2021, 5, 4)) == "5 years before"
    assert far_from(day, datetime(2025, 5, 1)) == "1 year before"


def test_out_of_order_names_as_few_as_can_be() -> None:
    start = datetime(2026, 5, 4, 8)
    times = [start + timedelta(minutes=10 * at) for at in range(12)]
    assert out_of_order(times) == []
    times[7] = start - timedelta(hours=1)
    assert out_of_order(times) == [7]
    assert out_of_order(times[::-1]) == []  # not in order of time at all: nothing is said
    assert out_of_order([]) == []


# --- drift -------------------------------------------------------------------------------------------


def test_individuals_chart_against_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2, ten flow rates: 45.8159, 50.81, 55.8041.

    Data and limits are from memory; the arithmetic agrees to the printed digits.
    """
    rates = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    made = chart("flow", list("abcdefghij"), rates)
    assert made is not None
    assert (made.low_mm, made.mean_mm, made.high_mm) == pytest.approx((45.8159, 50.81, 55.8041), abs=5e-5)
    assert not made.drifts


def test_chart_points_out_what_lies_beyond_and_what_runs() -> None:
    beyond = chart("x", [""] * 12, [1, 1.1, 0.9, 1, 1.1, 0.9, 1, 1.1, 9, 0.9, 1, 1.1])
    assert beyond is not None
    assert beyond.beyond == (8,)
    run = chart("x", [""] * 16, [1.0, 1.1] * 4 + [1.6, 1.7] * 4)
    assert run is not None
    assert run.runs == (7, 15)
    assert run.low_mm >= 0
    assert chart("x", [""] * 7, [1.0] * 7) is None
    equal = chart("x", [""] * 9, [0.0] * 9)
    assert equal is not None
    assert not equal.drifts


# --- text --------------------------------------------------------------------------------------------


def test_names_are_shown_with_what_hides_in_them() -> None:
    assert visible("a\u202egpj.exe\n\x1b[2J\x85é") == "a\\u202egpj.exe\\u000a\\u001b[2J\\u0085é"
    assert visible(os.fsdecode(b"caf\xe9.jpg")) == "caf\\xe9.jpg"
    assert name_of(b"caf\xe9.jpg") == "caf\\xe9.jpg"


@pytest.mark.parametrize("start", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", " =1", "\n+1", "＝1"])
def test_no_cell_starts_a_formula(start: str) -> None:
    assert cell(start).startswith("'")


def test_ordinary_cells_stay_as_they_are() -> None:
    for text in ("", "J-014", "a=b", "3/32 in", "Zoë", "'quoted"):
        assert cell(text) == text


# --- reading and processes ---------------------------------------------------------------------------


def _next_handle() -> int:
    handle = os.dup(0)
    os.close(handle)
    return handle


def test_a_folder_in_place_of_a_photo_leaves_nothing_open(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = _next_handle()
    with pytest.raises(Misuse, match="is a folder"):
        disk.read_photo(tmp_path)
    with pytest.raises(IsADirectoryError):
        worker.read_photo(str(tmp_path))
    monkeypatch.setattr("cli.files.os.path.isdir", lambda _: False)  # it became one just now
    with pytest.raises(IsADirectoryError):
        worker.read_photo(str(tmp_path))
    assert _next_handle() == before


def test_a_file_that_is_written_anew_keeps_its_permissions_or_stays(tmp_path: Path) -> None:
    path = tmp_path / "results.csv"
    for text in ("first", "second"):
        with whole_file(path) as file:
            file.write(text)
        path.chmod(0o640)
    assert path.read_text() == "second"
    with pytest.raises(TypeError), whole_file(path, binary=True) as file:
        file.write("no bytes")
    assert [each.name for each in tmp_path.iterdir()] == ["results.csv"]
    assert (path.read_text(), path.stat().st_mode & 0o777) == ("second", 0o640)
    with whole_file(path, binary=True) as file:
        file.write(b"third")
    assert (path.read_text(), path.stat().st_mode & 0o777) == ("third", 0o640)


@pytest.mark.parametrize(("system", "workers"), [("win32", 61), ("linux", 200)])
def test_a_pool_is_no_larger_than_the_system_takes(monkeypatch: pytest.MonkeyPatch, system: str, workers: int) -> None:
    monkeypatch.setattr("sys.platform", system)
    assert Processes(200).workers == workers
    assert Processes(3).workers == 3


def test_stub_photos_are_photos(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(photo(1, taken="2026:05:04 10:00:00"))
    with Image.open(path) as opened:
        assert opened.size == (96, 96)
