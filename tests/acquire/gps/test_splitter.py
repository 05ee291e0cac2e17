"""From bytes to sentences: no checksum, no sentence; damage costs the sentence it hits and no more."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.gps.talk import drive, rmc, seal
from dutylog.acquire.gps.splitter import LONGEST_CHARS, Splitter

GOOD = rmc(43_200.0)
BODY = GOOD[1 : GOOD.index(b"*")]


def _split(data, sizes=()):
    splitter = Splitter()
    bodies = []
    for size in sizes:
        bodies += splitter.push(data[:size], 0)
        data = data[size:]
    bodies += splitter.push(data, 0)
    return [body for body, _ in bodies], splitter


def test_a_published_example_passes_its_checksum():
    """Source of sentence and checksum: the Wikipedia article "NMEA 0183", sample of a GGA (from memory)."""
    bodies, _ = _split(b"$GPGGA,092750.000,5321.6802,N,00630.3372,W,1,8,1.03,61.7,M,55.2,M,,*76\r\n")
    assert bodies == [b"GPGGA,092750.000,5321.6802,N,00630.3372,W,1,8,1.03,61.7,M,55.2,M,,"]


def test_every_flipped_bit_is_noticed():
    """One wrong bit anywhere between '$' and the line's end never leaves a sentence with another content."""
    for place in range(len(GOOD)):
        for bit in range(8):
            damaged = bytearray(GOOD)
            damaged[place] ^= 1 << bit
            bodies, _ = _split(bytes(damaged))
            # A hexadecimal digit in lower case means the same, so the sentence itself may survive.
            assert bodies in ([], [BODY]), (place, bit)
            if place < GOOD.index(b"*") + 1:
                assert bodies == [], (place, bit)


def test_a_sentence_without_a_checksum_is_none():
    bodies, splitter = _split(b"$" + BODY + b"\r\n")
    assert bodies == []
    assert splitter.counts.broken == 1


def test_a_wrong_checksum_is_counted_apart_from_a_broken_sentence():
    _, splitter = _split(b"$" + BODY + b"*00\r\n")
    assert (splitter.counts.good, splitter.counts.bad_checksums, splitter.counts.broken) == (0, 1, 0)


def test_binary_before_and_behind_costs_nothing():
    """A receiver may speak its own binary protocol between sentences, with '$' in it too."""
    bodies, _ = _split(b"\xb5b\x01\x07$\x00\xff" + GOOD + b"\xb5b$$\x13" + GOOD)
    assert bodies == [BODY, BODY]


def test_two_glued_sentences_are_two():
    bodies, _ = _split(GOOD.rstrip() + GOOD)
    assert bodies == [BODY, BODY]


def test_a_cut_sentence_does_not_take_the_next_one_along():
    bodies, splitter = _split(GOOD[:20] + GOOD)
    assert bodies == [BODY]
    assert splitter.counts.broken == 1


def test_text_behind_the_checksum_breaks_a_sentence():
    """What stands between checksum and line's end shows that two lines ran together."""
    assert _split(GOOD.rstrip() + b"0,*4E\r\n")[0] == []


def test_the_longest_sentence_passes_and_one_more_character_does_not():
    for length, count in ((LONGEST_CHARS, 1), (LONGEST_CHARS + 1, 0)):
        sentence = seal("GNTXT," + "x" * (length - len("GNTXT,*hh")))
        assert len(sentence) == length + 3
        assert len(_split(sentence)[0]) == count


def test_a_sentence_carries_the_arrival_of_its_first_byte():
    splitter = Splitter()
    assert splitter.push(b"noise" + GOOD[:10], 111) == []
    assert splitter.push(GOOD[10:20], 222) == []
    assert splitter.push(GOOD[20:] + GOOD, 333) == [(BODY, 111), (BODY, 333)]


@settings(deadline=None)
@given(st.binary(max_size=600), st.lists(st.integers(0, 80), max_size=12))
def test_any_bytes_split_anywhere_give_the_same(data, sizes):
    """Where reads cut the stream is chance; sentences and counts mustn't depend on it."""
    whole, one = _split(data)
    parts, many = _split(data, sizes)
    assert whole == parts
    assert one.counts == many.counts


@settings(deadline=None)
@given(
    st.lists(
        st.one_of(st.binary(max_size=90), st.sampled_from([*drive(3), b"$", b"*", b"\r\n", GOOD[:30], GOOD[30:]])),
        max_size=20,
    ),
    st.lists(st.integers(0, 200), max_size=12),
)
def test_sentences_among_noise_split_anywhere_give_the_same(pieces, sizes):
    data = b"".join(pieces)
    whole, one = _split(data)
    parts, many = _split(data, sizes)
    assert whole == parts
    assert one.counts == many.counts


@settings(deadline=None)
@given(st.lists(st.binary(max_size=300), max_size=40))
def test_never_more_than_one_sentence_is_kept(chunks):
    """Bounded: a line that says anything, forever, fills no memory."""
    splitter = Splitter()
    for chunk in chunks:
        splitter.push(chunk, 0)
        assert len(splitter._tail) <= LONGEST_CHARS + 1


def test_an_endless_run_of_printable_bytes_is_not_kept():
    splitter = Splitter()
    for _ in range(1000):
        splitter.push(b"$GP" + b"A" * 997, 0)
        splitter.push(b"A" * 1000, 0)
    assert len(splitter._tail) == 0
    assert splitter.counts.broken == 1000


@settings(deadline=None)
@given(st.binary(max_size=300))
def test_two_whole_sentences_after_any_noise_bring_at_least_the_second(noise):
    """Resynchronised after at most one sentence, whatever went before."""
    bodies, _ = _split(noise + GOOD + GOOD)
    assert bodies[-1] == BODY
