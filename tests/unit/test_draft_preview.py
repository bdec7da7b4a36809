"""The first records of an export as a proposed map reads them, beside the proposal."""

import tomllib

from analytics.intake.draft import draft_map
from analytics.intake.draft_preview import preview_records

EXPORT = """Patient ID,Child name,Sex,Date of birth,Clinic,Visit date,Foot,Visit type,Pirani
17,Ama Lind,F,2024-01-20,North,2024-02-13,L,Cast,5.5
17,Ama Lind,,,North,2024-02-20,L,Cast,x
18,Bo Marsh,M,2024-01-25,South,2024-02-14,R,Cast,4
"""


def test_the_first_records_stand_below_the_proposal_and_name_nobody(tmp_path):
    path = tmp_path / "export.csv"
    path.write_text(EXPORT)
    text = draft_map(path)
    tomllib.loads(text)
    preview = text[text.index("# The first records as this map reads them") :].splitlines()
    assert preview[1] == (
        "#   line 2, child: sex = female; birth_precision = day; birth_on = 2024-01-20; "
        "clinic = North"
    )
    assert [line.split(":")[0] for line in preview[1:]] == [
        "#   line 2, child", "#   line 4, child",
        "#   line 2, visit", "#   line 3, visit", "#   line 4, visit",
    ]  # fmt: skip
    assert "visited_on = 2024-02-13" in preview[3]
    assert "pirani_total = 5.5" in preview[3]
    assert "pirani_total" not in preview[4]
    for name in ("Ama", "Lind", "Marsh", "17"):
        assert name not in "\n".join(preview)


def test_a_map_that_cannot_be_used_yet_says_why(tmp_path):
    path = tmp_path / "export.csv"
    path.write_text("Stuff,Visit date\nx,2024-02-13\n")
    (line,) = preview_records(path, 'name = "x"\nshape = "long"\n[child]\nid = ["?"]\n')
    assert line == "# The first records cannot be shown yet: the export has no heading '?'"
