"""Exports that hold a few of the registered nodes send nobody to the others."""

from __future__ import annotations

from pathlib import Path

from lamplighter import assess, read_exports


def test_a_partial_export_is_one_thing_to_do_at_the_host_and_none_at_the_nodes(tmp_path: Path) -> None:
    lines = [
        f"P{k},2026-01-{d:02}T{h:02}:0{k}:00Z,{d + h / 7:.2f}" for k in (1, 2) for d in range(1, 11) for h in range(24)
    ]
    (tmp_path / "export.csv").write_text("\n".join(["node,time,reading", *lines]) + "\n")
    rows = [f"P{k},North,2024-01-01" for k in range(1, 9)]
    (tmp_path / "register.csv").write_text("\n".join(["node,site,battery_installed", *rows]) + "\n")
    found = assess(read_exports(tmp_path / "export.csv"), register=tmp_path / "register.csv")
    absent = [f"P{k}" for k in range(3, 9)]
    assert [f.evidence[:32] for f in found.findings if f.kind == "export_partial"] == [
        "6 nodes of 8 in the register are"
    ]
    assert not [f for f in found.findings if f.node in absent]
    assert not [i for i in found.items if i.subject in absent]
    assert [(i.subject_kind, i.status, i.cause) for i in found.items if i.subject_kind != "node"] == [
        ("host", "M", "host or export")
    ]
    for node in absent:
        assert (found.row(node).status, found.row(node).risk) == ("", None)
        assert "absent from the exports" in found.row(node).reason
        assert {v.state for v in found.verdicts[node].values()} == {"not evaluated"}
