"""The checksum of a row is what it always was: records that an earlier version wrote stay sound."""

import zlib

from saltern.records.row_sums import _row_sum


def test_the_sum_is_the_crc_of_each_value_after_a_letter_for_its_kind():
    whole = b"ktext" + b"b\x03\x00\x00\x00\x00\x00\x00\x00abc" + b"kinteger" + b"i\x07\x00\x00\x00\x00\x00\x00\x00"
    whole += b"kreal" + b"r\x00\x00\x00\x00\x00\x00\xf8\x3f" + b"knull" + b"n" + b"kodd \xc3\xa9"

    assert _row_sum("text", b"abc", "integer", 7, "real", 1.5, "null", None, "odd é") == zlib.crc32(whole)


def test_a_known_row_has_the_sum_that_version_0_1_0_wrote():
    assert _row_sum("text", b"abc", "integer", 7, "real", 1.5, "null", None) == 484_681_083
