"""What is kept between runs: the same to the last bit, or not there at all, and never in anybody's way."""

from __future__ import annotations

import errno
import os
import pickle
import shutil
import sys
import threading
import time
import types
from collections.abc import Callable, Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, Union, get_args, get_origin, get_type_hints

import bursts
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from facemerge.formats import cache
from facemerge.formats.cache import DamagedError, Shelf, pack, unpack
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline.glance import Glance, Portrait, glance
from facemerge.words import Aligned, Face, Frame, Missing, Unaligned

KEY, OTHER = "0" * 63 + "1", "0" * 63 + "2"
WORD = Unaligned(reason="It is of another size.")
KINDS = [Frame, Face, Missing, Aligned | Unaligned, tuple[Portrait, ...], Glance]


@pytest.fixture(autouse=True)
def _any_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk of the test may be nearly full."""
    monkeypatch.setattr(cache, "SPARE_BYTES", 0)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / f"out{cache.SUFFIX}"


@pytest.fixture
def filled(folder: Path) -> Path:
    """Give a folder that an earlier run has left, with one entry."""
    Shelf(folder).keep(KEY, WORD)
    return folder


def entry(folder: Path) -> Path:
    return folder / f"{KEY}.entry"


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


# -- words and bytes ----------------------------------------------------------------------------------------


def arrays(dtype: Any) -> st.SearchStrategy[np.ndarray]:
    """Give arrays of any shape, bits (no number, infinities) and order of axes in memory."""
    of = st.sampled_from(["f2", "f4", "u1", "u2", "i4"]) if dtype is Any else st.just(np.dtype(dtype).str)

    def made(seed: int, dtype: str, shape: list[int], axes: list[int]) -> np.ndarray:
        size = int(np.prod(shape)) * np.dtype(dtype).itemsize
        bits = np.random.default_rng(seed).integers(0, 2 if "b" in dtype else 256, size, np.uint8)
        return bits.view(dtype).reshape(shape).transpose([a for a in axes if a < len(shape)])

    shapes = st.lists(st.integers(0, 4), max_size=3)
    return st.builds(made, st.integers(0, 99), of, shapes, st.permutations([0, 1, 2]))


def words(kind: Any) -> st.SearchStrategy[Any]:
    """Give any word of a kind, by its annotations."""
    origin, args = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        return st.one_of([words(k) for k in args])
    if origin is tuple and args[-1] is Ellipsis:
        return st.lists(words(args[0]), max_size=2).map(tuple)
    if origin is tuple:
        return st.tuples(*[words(k) for k in args])
    if origin is np.ndarray:
        return arrays(get_args(args[1])[0])
    if is_dataclass(kind):
        hints = get_type_hints(kind)
        return st.builds(kind, **{f.name: words(hints[f.name]) for f in fields(kind)})
    number = st.floats() | st.floats().map(np.float64) | st.floats(width=32).map(np.float32)
    plain = {
        str: st.text(),
        int: st.integers(),
        bool: st.booleans(),
        bytes: st.binary(),
        type(None): st.none(),
    }
    return number if kind is float else plain[kind]


def flat(word: object) -> Iterator[object]:
    """Yield all that a word consists of: types, bits, and the order of arrays in memory."""
    yield type(word)
    if isinstance(word, np.ndarray | np.generic):
        steps = np.asarray(word).strides
        yield word.dtype, word.shape, word.tobytes()
        # The step along an axis of length one, or of nothing, leads nowhere.
        yield [s for s, n in zip(steps, word.shape, strict=True) if n > 1 and word.size]
    elif isinstance(word, tuple):
        yield len(word)
        for item in word:
            yield from flat(item)
    elif is_dataclass(word):
        for field in fields(word):
            yield from flat(getattr(word, field.name))
    else:
        yield repr(word) if isinstance(word, float) else word


@pytest.mark.parametrize("kind", KINDS, ids=str)
@settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_a_word_comes_back_to_the_last_bit(kind: Any, data: st.DataObject) -> None:
    """Whatever it holds: types, bits, and the order in memory, on which the last bits of a sum depend."""
    word = data.draw(words(kind))
    assert list(flat(unpack(kind, pack(word)))) == list(flat(word))


@pytest.fixture(scope="module")
def seen(models: Models) -> Glance:
    """Give what is seen of a frame with two faces."""
    image = bursts.frame(0)
    frame = Frame(name="f0.png", path="/nowhere/f0.png", size=bursts.SIZE, bit_depth=8)
    return glance(frame, image, models, Options())


def test_what_is_seen_of_a_real_frame_comes_back(seen: Glance) -> None:
    """Two faces with their measures, patches and small pictures, in at most 60 kB a face without the view."""
    assert len(seen.portraits) == 2
    data = pack(seen.portraits)
    assert list(flat(unpack(tuple[Portrait, ...], data))) == list(flat(seen.portraits))
    assert 20_000 < len(data) < 120_000


def test_arrays_come_back_read_only(seen: Glance) -> None:
    """A frozen word is frozen all the way down."""
    back = unpack(tuple[Portrait, ...], pack(seen.portraits))
    with pytest.raises(ValueError, match="read-only"):
        back[0].face.landmarks[0, 0] = 1.0


@pytest.mark.parametrize(
    "thing",
    [object(), {"a": 1}, [1], 1j, np.array([object()]), np.array(["text"])],
    ids=["object", "dict", "list", "complex", "array of objects", "array of text"],
)
def test_only_plain_things_are_kept(thing: object) -> None:
    """What has no plain form is refused when it is written, not when it is missed."""
    with pytest.raises(TypeError, match="cannot be kept"):
        pack((thing,))


@settings(max_examples=200, deadline=None)
@given(data=st.binary(max_size=200))
@pytest.mark.parametrize("kind", [Face, tuple[Portrait, ...], Aligned | Unaligned], ids=str)
def test_bytes_of_anybody_are_no_word(kind: Any, data: bytes) -> None:
    """Only one kind of failure, whatever the bytes are."""
    with pytest.raises(DamagedError):
        unpack(kind, data)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_changed_bytes_are_refused_or_still_a_word_of_that_kind(seen: Glance, data: st.DataObject) -> None:
    """Even under a forged checksum: a description that was tampered with ends in one kind of failure."""
    good = pack(seen.portraits[:1])
    head = int.from_bytes(good[:8], "little") + 8
    at = data.draw(st.integers(0, head - 1))
    bad = good[:at] + bytes([data.draw(st.integers(0, 255))]) + good[at + 1 :]
    try:
        (portrait,) = unpack(tuple[Portrait, ...], bad)
    except DamagedError:
        return
    assert isinstance(portrait, Portrait)
    assert isinstance(portrait.face.landmarks, np.ndarray)


@pytest.mark.parametrize(
    ("head", "rest"),
    [
        ('{"word":{"array":0},"arrays":[["|O",[1],[0]]]}', b"12345678"),
        ('{"word":{"array":0},"arrays":[["<f8",[99999999999],[0]]]}', b"12345678"),
        ('{"word":{"array":0},"arrays":[["<f8",[-1],[0]]]}', b"12345678"),
        ('{"word":{"array":0},"arrays":[["<f8",[true],[0]]]}', b"12345678"),
        ('{"word":{"array":0},"arrays":[["<f8",[1],[7]]]}', b"12345678"),
        ('{"word":{"array":0},"arrays":[["<f8",[1],[0]]]}', b"12345678+"),
        ('{"word":{"array":-1},"arrays":[["<f8",[1],[0]]]}', b"12345678"),
        ('{"word":{"array":1},"arrays":[["<f8",[1],[0]]]}', b"12345678"),
        ('{"word":{"Missing":{"reason":"x"}},"arrays":[]}', b""),
        ("[" * 100_000, b""),
        ("{}", b""),
    ],
    ids=lambda v: str(v)[:50],
)
def test_a_false_description_is_refused(head: str, rest: bytes) -> None:
    """Objects, sizes beyond the bytes there are, places out of range, other words, depth without end."""
    with pytest.raises(DamagedError):
        unpack(np.ndarray[Any, Any], len(head).to_bytes(8, "little") + head.encode() + rest)


# -- keys ---------------------------------------------------------------------------------------------------


@pytest.fixture
def _maker_anew() -> Iterator[None]:
    """Ask anew what makes the entries, and forget the answer afterwards."""
    cache._maker.cache_clear()
    yield
    cache._maker.cache_clear()


@pytest.mark.parametrize(
    ("what", "change"),
    [
        ("signature", lambda: "facemerge 0.0.9"),
        ("_source", lambda: "another text"),
        ("FORM", "facemerge-cache/0"),
        ("metadata", types.SimpleNamespace(version=lambda _: "0.1", PackageNotFoundError=KeyError)),
        ("platform", types.SimpleNamespace(machine=lambda: "another")),
    ],
)
@pytest.mark.usefixtures("_maker_anew")
def test_another_maker_has_other_keys(what: str, change: object, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another version, text or form of the program, other libraries or another machine: all is anew."""
    before = cache.key({"frame": "f0"})
    cache._maker.cache_clear()
    assert cache.key({"frame": "f0"}) == before
    monkeypatch.setattr(cache, what, change)
    cache._maker.cache_clear()
    assert cache.key({"frame": "f0"}) != before


def test_the_programs_text_is_part_of_the_key(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """While somebody works on the program its version stays, and what it sees does not."""
    place = shutil.copytree(Path(cache.__file__).parents[1], tmp_path / "facemerge")
    monkeypatch.setattr(cache, "__file__", str(place / "formats" / "cache.py"))
    before = cache._source()
    (place / "faces.py").write_text(
        (place / "faces.py").read_text(encoding="utf-8") + "# .\n", encoding="utf-8"
    )
    assert cache._source() != before


def test_other_facts_have_other_keys() -> None:
    """The order in which facts are said is no fact."""
    assert cache.key({"a": 1, "b": 2}) == cache.key({"b": 2, "a": 1})
    assert cache.key({"a": 1}) != cache.key({"a": 2})


# -- the folder ---------------------------------------------------------------------------------------------


def test_what_is_kept_is_found_by_another_run(filled: Path) -> None:
    """Under its key, as the kind it is, and not otherwise."""
    shelf = Shelf(filled)
    assert shelf.find(KEY, Aligned | Unaligned) == WORD
    assert shelf.find(OTHER, Aligned | Unaligned) is None
    assert shelf.find(KEY, Face) is None


def test_the_folder_says_what_it_is(filled: Path) -> None:
    """Somebody who finds it learns that it may be deleted and holds faces; backup programs leave it out."""
    said = (filled / "README.txt").read_text(encoding="utf-8")
    assert "may delete this folder" in said
    assert "faces" in said
    assert "\n    out\n" in said
    # Ford, "Cache Directory Tagging Specification", 2004: the first 43 bytes.
    assert (filled / "CACHEDIR.TAG").read_bytes()[:43] == b"Signature: 8a477f597d28d172789f06886806bc55"
    assert names(filled) == [entry(filled).name, "CACHEDIR.TAG", "README.txt"]


def test_nothing_is_made_before_there_is_something_to_keep(folder: Path) -> None:
    """Looking for an entry, and tidying, make no folder."""
    shelf = Shelf(folder)
    assert shelf.find(KEY, Unaligned) is None
    shelf.tidy()
    shelf.discard()
    assert not folder.exists()


@pytest.mark.parametrize(
    "harm",
    [
        lambda b: b[:-1],
        lambda b: b[: len(b) // 2],
        lambda b: b"",
        lambda b: b + b"\n",
        lambda b: b.replace(b"another", b"an other"),
        lambda b: b.replace(b"size", b"form"),
        lambda b: b.replace(b"cache/1", b"cache/0"),
        lambda b: b"\0" * len(b),
        lambda b: b"\x89PNG\r\n" + b,
    ],
)
def test_a_damaged_entry_is_none_and_is_made_anew(harm: Callable[[bytes], bytes], filled: Path) -> None:
    """Cut off, added to, changed, of another form, or something else altogether."""
    good = entry(filled).read_bytes()
    entry(filled).write_bytes(harm(good))
    assert entry(filled).read_bytes() != good
    shelf = Shelf(filled)
    assert shelf.find(KEY, Unaligned) is None
    shelf.keep(KEY, WORD)
    assert entry(filled).read_bytes() == good
    assert shelf.find(KEY, Unaligned) == WORD


def test_any_flipped_bit_is_noticed(filled: Path) -> None:
    """In every byte of the entry."""
    good = entry(filled).read_bytes()
    for at in range(len(good)):
        entry(filled).write_bytes(good[:at] + bytes([good[at] ^ 1]) + good[at + 1 :])
        assert Shelf(filled).find(KEY, Unaligned) is None


def test_an_entry_of_another_key_is_none(filled: Path) -> None:
    """A file that was renamed tells of another frame."""
    entry(filled).rename(filled / f"{OTHER}.entry")
    assert Shelf(filled).find(OTHER, Unaligned) is None


class Bomb:
    """What would leave a trace if it were ever unpickled."""

    def __init__(self, trace: Path) -> None:
        self.trace = trace

    def __reduce__(self) -> tuple[object, ...]:
        return (Path.touch, (self.trace,))


@pytest.mark.parametrize("sealed", [False, True], ids=["bare", "with a right checksum"])
@pytest.mark.parametrize("form", ["pickle", "npy"])
def test_no_code_of_the_folder_runs(form: str, sealed: bool, filled: Path, tmp_path: Path) -> None:
    """An entry that would run code in a program that unpickles does nothing here."""
    trace = tmp_path / "it ran"
    data = pickle.dumps(Bomb(trace))
    if form == "npy":
        np.save(tmp_path / "bomb.npy", np.array([Bomb(trace)]), allow_pickle=True)
        data = (tmp_path / "bomb.npy").read_bytes()
    entry(filled).write_bytes(cache._sealed(KEY, data) if sealed else data)
    assert Shelf(filled).find(KEY, Glance) is None
    assert not trace.exists()
    pickle.loads(pickle.dumps(Bomb(trace)))
    assert trace.exists(), "the bomb is a dud, so this test could not fail"


@pytest.mark.skipif(sys.platform == "win32", reason="no named pipes or links there without rights")
@pytest.mark.parametrize("kind", ["pipe", "folder", "link"])
def test_something_else_in_an_entrys_place_is_no_entry(kind: str, filled: Path, tmp_path: Path) -> None:
    """A pipe is not waited for, a link not followed, a folder not read; writing there harms nobody."""
    path = entry(filled)
    path.rename(tmp_path / "elsewhere")
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to(tmp_path / "elsewhere")
    before = (tmp_path / "elsewhere").read_bytes()
    shelf = Shelf(filled)
    assert shelf.find(KEY, Unaligned) is None
    shelf.keep(KEY, Unaligned(reason="Another."))
    assert (tmp_path / "elsewhere").read_bytes() == before


@pytest.mark.skipif(sys.platform == "win32", reason="no links there without rights")
def test_a_link_in_the_folders_place_is_not_followed(folder: Path, tmp_path: Path) -> None:
    """Nothing is read, written or removed in a folder somewhere else."""
    there = tmp_path / "somewhere"
    Shelf(there).keep(KEY, WORD)
    before = names(there)
    folder.symlink_to(there)
    shelf = Shelf(folder)
    assert shelf.find(KEY, Unaligned) is None
    shelf.keep(OTHER, WORD)
    shelf.tidy()
    shelf.discard()
    assert names(there) == before


@pytest.mark.parametrize("obstacle", ["a file", "no parent", "no right"])
def test_where_nothing_can_be_kept_nothing_fails(obstacle: str, tmp_path: Path) -> None:
    """The run goes on; a file in the folder's place stays as it was."""
    folder = tmp_path / "place" / "kept"
    if obstacle != "no parent":
        folder.parent.mkdir()
    if obstacle == "a file":
        folder.write_text("mine")
    if obstacle == "no right":
        folder.parent.chmod(0o500)
    shelf = Shelf(folder)
    shelf.keep(KEY, WORD)
    # For the superuser there is no lack of rights.
    assert shelf.find(KEY, Unaligned) in ((None, WORD) if obstacle == "no right" else (None,))
    shelf.tidy()
    shelf.discard()
    folder.parent.chmod(0o700) if folder.parent.exists() else None
    assert (folder.read_text() == "mine") if obstacle == "a file" else not folder.exists()


def test_tidying_leaves_what_was_used_and_what_is_not_ours(filled: Path) -> None:
    """What this run neither found nor made goes; anything that is no entry stays."""
    Shelf(filled).keep(OTHER, WORD)
    (filled / "notes.txt").write_text("mine")
    (filled / "deadbeef.entry").write_text("mine")
    shelf = Shelf(filled)
    assert shelf.find(OTHER, Unaligned) == WORD
    shelf.tidy()
    assert names(filled) == sorted(
        [f"{OTHER}.entry", "CACHEDIR.TAG", "README.txt", "deadbeef.entry", "notes.txt"]
    )


def test_discarding_removes_what_this_run_has_written(filled: Path) -> None:
    """What an earlier run has left stays, and nothing is written after it."""
    shelf = Shelf(filled)
    shelf.keep(OTHER, WORD)
    shelf.discard()
    shelf.keep(OTHER, WORD)
    assert names(filled) == [f"{KEY}.entry", "CACHEDIR.TAG", "README.txt"]


@pytest.mark.parametrize("mine", [False, True])
def test_discarding_removes_the_folder_unless_something_is_left(mine: bool, folder: Path) -> None:
    """A run that came to nothing leaves nothing."""
    shelf = Shelf(folder)
    shelf.keep(KEY, WORD)
    if mine:
        (folder / "notes.txt").write_text("mine")
    shelf.discard()
    assert folder.exists() == mine


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT, errno.EIO])
def test_without_space_the_rest_goes_unkept(
    number: int, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first entry that fails is the last one tried, nothing half-written stays, and what this run had
    kept makes room for its result.
    """
    shelf = Shelf(folder)
    shelf.keep(KEY, WORD)
    write, tried = Path.write_bytes, []

    def full(self: Path, data: bytes) -> int:
        tried.append(self)
        write(self, data[: len(data) // 2])
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(Path, "write_bytes", full)
    shelf.keep(OTHER, WORD)
    shelf.keep(OTHER[::-1], WORD)
    assert len(tried) == 1
    assert folder.exists() == (number == errno.EIO)
    assert not list(folder.glob("*.part"))
    assert Shelf(folder).find(OTHER, Unaligned) is None


@pytest.mark.parametrize(("free", "kept"), [(999, False), (100_000, True)])
def test_a_nearly_full_disk_is_left_to_the_result(
    free: int, kept: bool, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is kept where less would be left free than results need."""
    monkeypatch.setattr(cache, "SPARE_BYTES", 1000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: types.SimpleNamespace(free=free))
    shelf = Shelf(folder)
    shelf.keep(KEY, WORD)
    assert (shelf.find(KEY, Unaligned) == WORD) == kept


def test_the_folder_does_not_grow_beyond_its_measure(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Entries are written while there is room, counting what was there, and none is cut."""
    monkeypatch.setattr(cache, "MOST_BYTES", 3000)
    for run in range(3):
        shelf = Shelf(folder)
        for number in range(20):
            shelf.keep(f"{run * 20 + number:064x}", WORD)
    held = sum(p.stat().st_size for p in folder.iterdir())
    assert 2500 < held <= 3000
    assert all(Shelf(folder).find(p.stem, Unaligned) == WORD for p in folder.glob("*.entry"))


def test_too_large_an_entry_is_neither_written_nor_read(
    filled: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A huge file in an entry's place is not loaded."""
    monkeypatch.setattr(cache, "MOST_ENTRY_BYTES", entry(filled).stat().st_size - 1)
    shelf = Shelf(folder)
    shelf.keep(OTHER, WORD)
    assert shelf.find(KEY, Unaligned) is None
    assert names(folder) == [entry(filled).name, "CACHEDIR.TAG", "README.txt"]


@pytest.mark.parametrize(("age_s", "stays"), [(60, True), (7200, False)])
def test_what_a_killed_run_was_writing_goes_after_a_while(age_s: float, stays: bool, filled: Path) -> None:
    """It is never taken for an entry; a fresh one may belong to another run that is still writing."""
    part = filled / f"{'a' * 32}.part"
    part.write_bytes(entry(filled).read_bytes()[:50])
    os.utime(part, (time.time() - age_s,) * 2)
    shelf = Shelf(filled)
    assert shelf.find("a" * 64, Unaligned) is None
    shelf.keep(OTHER, WORD)
    assert part.exists() == stays


def test_stopped_in_the_middle_of_an_entry_nothing_is_left_of_it(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C while it is put in place."""

    def stop(self: Path, target: Path) -> None:
        raise KeyboardInterrupt

    before = names(filled)
    monkeypatch.setattr(Path, "replace", stop)
    with pytest.raises(KeyboardInterrupt):
        Shelf(filled).keep(OTHER, WORD)
    assert names(filled) == before


def test_runs_at_once_do_each_other_no_harm(folder: Path) -> None:
    """Four runs keep, look for, tidy and discard the same entries: what is found is whole, nothing fails."""
    keys = [f"{k:064x}" for k in range(12)]
    wrong: list[object] = []

    def run(number: int) -> None:
        try:
            for turn in range(10):
                shelf = Shelf(folder)
                for k, key in enumerate(keys):
                    found = shelf.find(key, Unaligned)
                    if found is None:
                        shelf.keep(key, Unaligned(reason=str(k) * 999))
                    elif found.reason != str(k) * 999:
                        wrong.append(found)
                (shelf.discard if (turn + number) % 3 == 0 else shelf.tidy)()
        except BaseException as error:
            wrong.append(error)

    threads = [threading.Thread(target=run, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
    assert not list(folder.glob("*.part"))


def test_the_folder_lies_beside_out(tmp_path: Path) -> None:
    """Next to it, by its name, wherever a link leads."""
    assert cache.beside(tmp_path / "a" / ".." / "out") == tmp_path / "out.facemerge-cache"
