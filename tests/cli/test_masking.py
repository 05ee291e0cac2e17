"""What a bundle masks: every way to write a secret, and nothing that is none."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.cli.checks.masking import MASKED, Mask, mask_vehicle_file, without_comments


def masked(text, folder=Path("/nowhere")):
    return mask_vehicle_file(text, folder, Mask())


@pytest.mark.parametrize(
    "line",
    [
        "password = 'S3CRET'", 'PassWord="S3CRET"', "mqtt.password = 'S3CRET'", 'x = { host = "h", token = "S3CRET" }',
        'api_key = ["a", "S3CRET"]', "pwd: S3CRET", 'password = "a"S3CRET"', 'password = "S3CRET', "token = S3CRET # x",
        '"my secret" = "S3CRET"', "# password = S3CRET", "# the password is S3CRET", 'password = """\nS3CRET\n"""',
        "password = '''\nx\nS3CRET", "token = [\n 'S3CRET',\n]", '[secrets]\nbroker = "S3CRET"', "url = 'http://u:S3CRET@h'",
        "url = 'http://u:a/b@S3CRET@h'", "pass = 'S3CRET'", "password_file = 'S3CRET'", "token_file='x' # token S3CRET",
    ],
)  # fmt: skip
def test_every_way_to_write_a_secret_is_masked(line):
    assert "S3CRET" not in masked(f"a = 1\n{line}\n")
    assert masked(f"a = 1\n{line}\n").startswith("a = 1\n")


def test_what_is_no_secret_stays(tmp_path):
    """A bypass is no password, and figures are what support needs."""
    text = (
        '[profile.bypass]\nbypass_mm = 3\nposition = "rear_left_bypass"\nserial = "SN-1"\nforce = [[0.0, 1.0]]\n'
        'password_file = "p"\n'
    )
    (tmp_path / "p").write_text("x\n")
    assert masked(text, tmp_path) == text
    example = (Path(__file__).parents[2] / "shared" / "example_vehicle.toml").read_text(encoding="utf-8")
    assert masked(example).count(MASKED) <= 3


def test_words_of_a_comment_are_masked_there_and_nowhere_else():
    """Else a remark about passwords would take its words out of every text."""
    mask = Mask()
    assert "one line" not in mask_vehicle_file("# token: one line\n", Path("/nowhere"), mask)
    assert mask.text("put it on one line") == "put it on one line"


QUOTES = st.sampled_from(["'{}'", '"{}"', '"""{}"""', "{}", "'{}", '["{}"]', '{{ x = "{}" }}'])


@given(st.text(st.characters(min_codepoint=33, max_codepoint=0x2FF, exclude_categories=("C", "Z")), min_size=4), QUOTES)
def test_no_password_comes_through(secret, form):
    """Quotes, brackets, hashes and equals signs included; the word after it is there to see that lines stay apart."""
    shown = masked(f"[mqtt]\nport = 7\npassword = {form.format(secret)}\n")
    assert secret not in shown.replace(f"[mqtt]\nport = 7\npassword = {MASKED}\n", "")


def test_a_secret_is_found_again_in_every_form():
    mask = Mask()
    mask.learn_secret('a"b/c d-and-more-of-it')
    for text in (
        'a"b/c d-and-more-of-it',
        'a\\"b/c d-and-more-of-it',
        "a%22b%2Fc%20d-and-more-of-it",
        "a%22b%2Fc+d-and-more-of-it",
    ):
        assert mask.text(f"<{text}>") == f"<{MASKED}>"
    assert mask.text('cut short: a"b/c d-and-more…') == f"cut short: {MASKED}"
    assert mask.value({"k": ['a"b/c d-and-more-of-it', 1, None, True]}) == {"k": [MASKED, 1, None, True]}
    assert mask.value({'xa"b/c d-and-more-of-it': 1}) == {f"x{MASKED}": 1}
    mask.learn_secret("abc")  # too short to look for
    assert mask.text("abc") == "abc"
    assert mask.text('"Authorization: Token x1y2", 7') == f'"Authorization: {MASKED}", 7'
    assert mask.text("GET /x?token=x1y2&a=b bearer 0123456789abcdef") == f"GET /x?token={MASKED}&a=b bearer {MASKED}"
    assert mask.text("token refused (401), basic facts") == "token refused (401), basic facts"


def test_comments_go_and_texts_with_a_hash_stay():
    assert without_comments('a = "x#y" # z\nb = \'#\'#c\n"""\n# in\n"""\n') == 'a = "x#y" \nb = \'#\'\n"""\n# in\n"""\n'
