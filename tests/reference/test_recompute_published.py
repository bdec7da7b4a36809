"""Published tables that do not recompute are caught; those that do pass.

Each line is as printed in its source; whole numbers and printed decimals, so no tolerance but the
rounding of the print.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from analytics.analyses.recompute import recompute
from analytics.errors import ExportFileError
from analytics.reports.recomputing import read_printed_table, tell_faults

FAULTY = {
    # J Child Orthop 2009;3:271: adherence 47 of 57 "81%" and 21 of 57 "47%"; they are 82.5% and
    # 36.8%, and the percentages are those of 46 and 27.
    "percentages not of their counts": (
        """
        label,unit,k,n,percent
        full adherence,child,47,57,81
        some adherence,child,21,57,47
        """,
        ["percent", "percent"],
        ["82%", "k = 46", "37%", "k = 27"],
    ),
    # BMC Musculoskelet Disord 2022, series from Guilin: 64 left, 58 right, 26 both: "164 feet".
    "feet that are not left, right and twice the bilateral": (
        """
        label,left,right,bilateral,children,feet
        series,64,58,26,148,164
        """,
        ["feet"],
        ["164", "174", "122 + 2 x 26"],
    ),
    # The same paper: tenotomy in "113 feet (76.4%)", which is of 148 children; 64.9% of 174 feet.
    "children below a line of feet": (
        """
        label,unit,k,percent,left,right,bilateral
        series,,,,64,58,26
        tenotomy,foot,113,76.4,,,
        """,
        ["another_denominator"],
        ["64.9%", "148 children", "labelled as foot"],
    ),
    # Lagos 2018, PMC6016751: 77 bilateral and 47 unilateral make the 201 feet; tenotomy in
    # "45 (23.1%)" is of 195, six left out without a word.
    "an exclusion that nobody declared": (
        """
        label,unit,k,percent,unilateral,bilateral,feet
        series,,,,47,77,201
        tenotomy,foot,45,23.1,,,
        """,
        ["percent"],
        ["22.4%", "n = 195"],
    ),
    # Haft 2007, J Bone Joint Surg Am 89:487: abstract of the meeting against the paper.
    "two editions of one series": (
        """
        label,table,unit,k,n,percent,feet
        relapse,abstract,child,20,51,39,
        relapse,paper,child,21,51,41,
        series,abstract,,,,,78
        series,paper,,,,,73
        """,
        ["differs", "differs"],
        ["20, 21", "78, 73"],
    ),
    # Pinto 2022: 18 and 137 of 155 who dropped out, printed as 11.62% and 88.38%.
    "percentages that miss the last decimal": (
        """
        label,unit,k,n,percent
        in casting,child,18,155,11.62
        in the brace,child,137,155,88.38
        """,
        ["percent"],
        ["11.61%"],
    ),
    "a denominator without a name": (
        """
        label,k,n,percent
        tenotomy,36,50,72
        """,
        ["unit"],
        ["not said what the 36 are"],
    ),
    "a total that is not its parts": (
        """
        label,unit,k,part_of
        dropped out,child,155,
        in casting,child,18,dropped out
        in the brace,child,127,dropped out
        """,
        ["total"],
        ["145", "18 + 127"],
    ),
    "a part larger than its whole": ("label,unit,k,n\nlost,child,12,11", ["part"], ["12", "11"]),
    "a part of nothing": ("label,unit,k,part_of\nlost,child,12,all", ["no_whole"], ["all"]),
}

# Sections P1-P9: counts and percentages of the sources named.
CLEAN = """
    label,table,unit,k,n,percent,unilateral,bilateral,feet,children,part_of
    dropped out,Pinto 2022,child,155,965,16.06,,,,,
    in casting,Pinto 2022,child,18,155,,,,,,dropped out
    in the brace,Pinto 2022,child,137,155,,,,,,dropped out
    lost,QMJ 2024:63,child,197,1150,17.13,,,,,
    lost in casting,QMJ 2024:63,child,24,197,12.2,,,,,lost
    lost in the brace,QMJ 2024:63,child,173,197,87.8,,,,,lost
    tenotomy,Smythe 2016,child,127,161,78.88,,,,,
    tenotomy of feet,Kouamo 2014,foot,34,41,82.93,,,,,
    tenotomy of feet by score,Menon,foot,51,59,86.44,,,,,
    tenotomy of children,Lebel 2012,child,41,56,73.21,29,27,83,56,
    needle tenotomy,Spiegel 2009,foot,205,260,78.85,,,,,
    initial correction,Richards 2008,foot,252,267,94.38,,,,,
    relapse of children,thesis,child,43,119,36.13,,,,,
    relapse of feet,thesis,foot,57,173,32.95,,,,,
    feet,Lagos 2018,,,,,47,77,201,124,
    """


def table(text: str, folder: Path):
    file = folder / "table.csv"
    file.write_text("\n".join(line.strip() for line in text.strip().splitlines()), "utf-8")
    return read_printed_table(file)


@pytest.mark.parametrize("name", FAULTY)
def test_published_faults_are_caught(name: str, tmp_path: Path) -> None:
    text, codes, said = FAULTY[name]
    lines = table(text, tmp_path)
    assert [fault.code for fault in recompute(lines)] == codes
    told, agrees = tell_faults(lines, "en")
    assert not agrees
    for words in said:
        assert words in told, told


def test_clean_published_lines_pass(tmp_path: Path) -> None:
    lines = table(CLEAN, tmp_path)
    assert recompute(lines) == []
    assert tell_faults(lines, "en") == ("15 lines: every number follows from the others.", True)


def test_one_wrong_figure_among_clean_lines_is_found(tmp_path: Path) -> None:
    for right, wrong in (("16.06", "16.16"), ("137,155", "138,155"), ("201", "202"), ("83", "84")):
        assert recompute(table(CLEAN.replace(right, wrong), tmp_path)), wrong


def test_percentages_cut_instead_of_rounded_pass(tmp_path: Path) -> None:
    # Islam 2020, Clin Orthop Surg 12:100: 65 of 77 printed as 84.41, which is cut: 84.4156.
    assert recompute(table("label,unit,k,n,percent\nx,foot,65,77,84.41", tmp_path)) == []
    assert recompute(table("label,unit,k,n,percent\nx,foot,65,77,84.40", tmp_path))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("label,kk\nx,3", "k (how many)"),
        ("k,n\n1,2", "'label' is needed"),
        ("label,k\nx,about 3", "a whole number"),
        ("label,percent\nx,76.4 per cent", "as printed"),
        ("label,k\nx,1,2", "a cell for each column"),
        ("", "label"),
    ],
)
def test_a_table_that_cannot_be_read_is_refused(text: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(ExportFileError) as caught:
        table(text, tmp_path)
    assert said in str(caught.value)
