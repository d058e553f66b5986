"""Where the header stands, by names wanted and by how it looks."""

import pytest

from monitor.sources.logs.header import by_names, by_shape


@pytest.mark.parametrize(
    ("text", "names", "line"),
    [
        ("a,b\n1,2\n3,4\n", ["a", "b"], 1),
        ("made up\n# 1,5\nname: x\n\nt;a;b\n0;1,5;2\n1;2,5;3\n", ["t", "a", "b"], 5),
        ("t,a,b\ns,kPa,rpm\n\n0,1,2\n1,2,3\n", ["t", "a", "b"], 1),
        ("Date,12.03.2024\nRows,3\nt,a,b\n[s],[kPa],[rpm]\n0,1,2\n1,2,3\n", ["t", "a", "b"], 3),
        ("t\ta\t\n10:00:00\t1\t\n10:00:01\t2\t\n", ["t", "a", ""], 1),
        ("t,a,b\n0,1,2,\n1,2,3,\n", ["t", "a", "b"], 1),
        ("t,note,a\n0,on a hill,1\n1,,2\n", ["t", "note", "a"], 1),
        ("t,a,b\n0,,\n1,,\n2,5,\n", ["t", "a", "b"], 1),
        ("t,on,mode,a\n0,yes,A,1\n1,no,A,2\n", ["t", "on", "mode", "a"], 1),
        ("Car,,Air,\nt,rpm,p,q\ns,rpm,kPa abs,\n0,1,2,3\n1,2,3,4\n", ["t", "rpm", "p", "q"], 2),
        ("t,p,v\ns,psia,km/h\n0,1,2\n1,2,3\n", ["t", "p", "v"], 1),
        ("t,a,b,c\n0,1,2,3\n1,2\n2,3\n3,4\n4,5\n5,6\n", ["t", "a", "b", "c"], 1),
        ('"t, s","a ""b"""\n0,1\n1,2\n', ["t, s", 'a "b"'], 1),
    ],
)
def test_by_shape(text: str, names: list[str], line: int) -> None:
    """The row of names right above the readings, units passed over, lines before it too."""
    header = by_shape(text)
    assert header is not None
    assert (header.names, header.line) == (names, line)


@pytest.mark.parametrize("text", ["", "words only\nand more of them\n", "1,2\n3,4\n", "a,b\nc,d\n"])
def test_no_header(text: str) -> None:
    """Nothing but words, or nothing but readings: none."""
    assert by_shape(text) is None


def test_by_names() -> None:
    """The row with most of the names wanted, whatever stands around it."""
    header = by_names("t is time, a is air\nx;a;t\n0;1;2\n", {"a", "t"})
    assert header is not None
    assert (header.names, header.line, header.delimiter) == (["x", "a", "t"], 2, ";")
    assert by_names("x,y\n0,1\n", {"a", "t"}) is None
