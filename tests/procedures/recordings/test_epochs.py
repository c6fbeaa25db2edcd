import pytest

from procedures.recordings import (
    Annotation,
    EpochMark,
    RecordingError,
    check_epochs,
    epochs_from_annotations,
    parse_epochs_csv,
    read_epochs_csv,
)


def test_table_is_read_in_any_order_of_columns():
    text = "\ufefflabel,end_s,start_s".removeprefix("\ufeff") + "\nbaseline,10,0\nsite:A,20.5,10\n\n"
    assert parse_epochs_csv(text) == (EpochMark("baseline", 0, 10), EpochMark("site:A", 10, 20.5))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no column label"),
        ("label,start_s\na,1\n", "no column end_s"),
        ("label;start_s;end_s\na;1;2\n", "no column label"),
        ("label,start_s,end_s\n", "no epochs"),
        ("label,start_s,end_s\n,1,2\n", "Row 1 of the epochs table has no label"),
        ("label,start_s,end_s\na,x,2\n", "has 'x' as start_s"),
        ("label,start_s,end_s\na,1,nan\n", "has 'nan' as end_s"),
        ("label,start_s,end_s\na,1,2,3\n", "Row 1 of the epochs table has 4 columns"),
        ("label,start_s,end_s\na,0,5,1,2\n", "columns"),
    ],
)
def test_wrong_table_is_refused(text, words):
    with pytest.raises(RecordingError, match=words):
        parse_epochs_csv(text)


def test_missing_or_binary_table_is_refused(tmp_path):
    with pytest.raises(RecordingError, match="cannot be read"):
        read_epochs_csv(tmp_path / "none.csv")
    with pytest.raises(RecordingError, match="cannot be read"):
        read_epochs_csv(tmp_path)
    (tmp_path / "a.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RecordingError, match="UTF-8"):
        read_epochs_csv(tmp_path / "a.csv")


def test_annotations_run_to_duration_next_mark_end_or_file():
    annotations = [
        Annotation(0, 10, "baseline"),
        Annotation(12, None, "Site: L2 mid"),
        Annotation(20, None, "patient coughs"),
        Annotation(30, None, "BASELINE"),
        Annotation(40, 0.0, "site:P1"),
        Annotation(45, None, "end"),
        Annotation(50, None, "baseline"),
    ]
    assert epochs_from_annotations(annotations, 60.0) == (
        EpochMark("baseline", 0, 10),
        EpochMark("site:L2 mid", 12, 30),
        EpochMark("baseline", 30, 40),
        EpochMark("site:P1", 40, 45),
        EpochMark("baseline", 50, 60.0),
    )


def test_other_texts_mark_no_epoch():
    texts = ("", "site:", "end", "baseline 2", "a site:x")
    assert epochs_from_annotations([Annotation(1, 5, text) for text in texts], 60.0) == ()


def test_epochs_are_ordered_and_cut_to_the_recording():
    marks = [EpochMark("b", 30, 60.02), EpochMark("a", -0.01, 30.01)]
    assert check_epochs(marks, 0.0, 60.0) == (EpochMark("a", 0.0, 30.01), EpochMark("b", 30.01, 60.0))


def test_repeated_labels_are_normal():
    marks = [EpochMark("baseline", 0, 10), EpochMark("x", 10, 20), EpochMark("baseline", 20, 30)]
    assert check_epochs(marks, 0.0, 30.0) == tuple(marks)


@pytest.mark.parametrize(
    ("marks", "words"),
    [
        ([EpochMark("a", 5, 5)], "does not end after it starts"),
        ([EpochMark("a", 5, 4)], "does not end after it starts"),
        ([EpochMark("a", -1, 4)], "lies outside the recording"),
        ([EpochMark("a", 1, 61)], "lies outside the recording"),
        ([EpochMark("a", 70, 80)], "lies outside the recording"),
        ([EpochMark("a", 0, 20), EpochMark("b", 10, 30)], "'a' .* and 'b' .* overlap"),
        ([EpochMark("a", 0, 40), EpochMark("b", 10, 20)], "overlap"),
    ],
)
def test_impossible_epochs_are_refused(marks, words):
    with pytest.raises(RecordingError, match=words):
        check_epochs(marks, 0.0, 60.0)
