import numpy as np
import pytest

from procedures.recordings import RecordingError, read_recording


def refusal(path):
    with pytest.raises(RecordingError) as caught:
        read_recording(path)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def rows(n=2000, step=0.001, start=0.0, digits=3):
    return [[f"{start + i * step:.{digits}f}", str(i % 90), f"{100 + i % 50}.5"] for i in range(n)]


def test_channels_units_and_rate_are_read(write_csv):
    signals = read_recording(write_csv())
    assert signals.format == "CSV"
    assert [(c.label, c.unit, c.sample_rate_hz) for c in signals.channels] == [
        ("P_LV", "mmHg", 1000.0),
        ("V_LV", "mL", 1000.0),
    ]
    assert signals.duration_s == 2.0
    assert signals.channels[0].samples[91] == 1.0
    assert signals.channels[1].samples[3] == 103.5
    assert len(signals.sha256) == 64


def test_byte_order_mark_and_windows_line_ends_are_read(tmp_path):
    path = tmp_path / "a.csv"
    path.write_bytes(b"\xef\xbb\xbftime_s,P_LV [mmHg]\r\n0.000,1\r\n0.002,2\r\n0.004,3\r\n")
    signals = read_recording(path)
    assert signals.channels[0].sample_rate_hz == 500.0
    assert signals.channels[0].samples.tolist() == [1.0, 2.0, 3.0]


def test_quoted_header_and_ucum_unit_are_read(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text('"time_s","P, LV [mm[Hg]]"\n0,1\n0.004,2\n')
    channel = read_recording(path).channels[0]
    assert (channel.label, channel.unit, channel.sample_rate_hz) == ("P, LV", "mm[Hg]", 250.0)


def test_time_axis_that_does_not_start_at_zero_is_kept(write_csv):
    signals = read_recording(write_csv(rows=rows(start=12.5)))
    assert signals.start_s == 12.5
    assert signals.duration_s == 2.0


def test_time_column_may_stand_anywhere(write_csv):
    path = write_csv("P_LV [mmHg],time_s", [[i, i / 250] for i in range(10)])
    assert [c.label for c in read_recording(path).channels] == ["P_LV"]


@pytest.mark.parametrize(("rate", "digits"), [(250, 3), (360, 4), (500, 3), (1000, 3), (1000, 6), (400, 7)])
def test_rate_is_whole_where_times_are_rounded(write_csv, rate, digits):
    signals = read_recording(write_csv(rows=rows(n=5000, step=1 / rate, digits=digits)))
    assert signals.channels[0].sample_rate_hz == rate


def test_rate_that_is_not_whole_is_kept(write_csv):
    signals = read_recording(write_csv(rows=rows(n=5000, step=1 / 333.25, digits=7)))
    assert signals.channels[0].sample_rate_hz == pytest.approx(333.25, rel=1e-6)


def test_missing_header_is_named(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("0.000,5,6\n0.001,6,7\n")
    assert "no header" in refusal(path)


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("seconds,P_LV [mmHg],V_LV [mL]", "no column time_s"),
        ("time_ms,P_LV [mmHg],V_LV [mL]", "not in seconds"),
        ("time [ms],P_LV [mmHg],V_LV [mL]", "not in seconds"),
        ("time_s,time_s,V_LV [mL]", "more than one time column"),
        ("time_s,,V_LV [mL]", "Column 2 of the CSV file has no name"),
        ("time_s;P_LV [mmHg];V_LV [mL]", "semicolons"),
        ("time_s\tP_LV [mmHg]\tV_LV [mL]", "tabs"),
        ("time_s,P_LV [mmHg]", "names 2 columns, its rows hold 3"),
        ("time_s,P_LV [mmHg],V_1 [mL],V_2 [mL]", "names 4 columns, its rows hold 3"),
    ],
)
def test_wrong_header_is_named(write_csv, header, words):
    assert words in refusal(write_csv(header))


def test_time_only_is_refused(write_csv):
    assert "no signals" in refusal(write_csv("time_s", [[0], [1]]))


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (["0.005", "nan", "1"], "Row 6 of the CSV file has nan in column 'P_LV'"),
        (["0.005", "1", "inf"], "Row 6 of the CSV file has inf in column 'V_LV'"),
        (["0.005", "", "1"], "Row 6 of the CSV file has no value in column 'P_LV'"),
        (["0.005", "abc", "1"], "Row 6 of the CSV file has 'abc' in column 'P_LV'"),
        (["0.005", "1"], "Row 6 of the CSV file has 2 columns"),
        (["0.005", "1", "2", "3"], "Row 6 of the CSV file has 4 columns"),
        (["0.003", "1", "2"], "does not rise at row 6"),
        (["0.004", "1", "2"], "does not rise at row 6"),
        (["0.0059", "1", "2"], "uneven at row 6"),
    ],
)
def test_wrong_row_is_named_with_its_number(write_csv, row, words):
    table = rows()
    table[5] = row
    assert words in refusal(write_csv(rows=table))


def test_missing_row_is_named(write_csv):
    table = rows()
    del table[1000]
    assert "uneven at row 1001" in refusal(write_csv(rows=table))


def test_decimal_comma_is_named(write_csv):
    split = write_csv(rows=[[f"0,{i:03}", "5,5", "6,5"] for i in range(9)])
    assert "decimal comma" in refusal(split)
    quoted = write_csv(rows=[[f'"0,{i:03}"', '"5,5"', '"6,5"'] for i in range(9)])
    assert "decimal point" in refusal(quoted)


def test_time_with_too_few_decimals_is_refused(write_csv):
    assert "does not rise" in refusal(write_csv(rows=rows(digits=2)))


@pytest.mark.parametrize("table", [[], [["0.000", "1", "2"]]])
def test_too_few_rows_are_refused(write_csv, table):
    assert "two rows" in refusal(write_csv(rows=table))


def test_utf16_and_latin1_are_named(write_csv):
    assert "UTF-16" in refusal(write_csv(encoding="utf-16"))
    assert "UTF-8" in refusal(write_csv("time_s,P_LV [mmHg],Größe [mL]", encoding="latin-1"))


def test_values_are_exact(write_csv):
    values = np.random.default_rng(1).normal(80, 30, 500)
    path = write_csv("time_s,P_LV [mmHg]", [[i / 1000, repr(float(v))] for i, v in enumerate(values)])
    np.testing.assert_array_equal(read_recording(path).channels[0].samples, values)
