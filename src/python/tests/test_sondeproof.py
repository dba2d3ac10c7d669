"""The module as its users meet it: files and tables in, documents and flags out, whatever the data frame library."""

import sys
import unittest
from pathlib import Path

import pandas
import polars
import pyarrow
import pyarrow.compute

import sondeproof

ROOT = Path(__file__).resolve().parents[3]
LOG = ROOT / "datasets" / "hill_climb_demo.csv"
RIG = ROOT / "datasets" / "hill_climb.toml"


class Module(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.result = sondeproof.audit(LOG, rig=RIG)

    def test_a_file_gives_the_document_and_its_flags(self):
        result = self.result
        self.assertEqual(result["schema"], "sondeproof.audit/1")
        self.assertEqual(result["gate"]["decision"], "withheld")
        self.assertEqual(len(result.flags), result["source"]["rows"])
        self.assertEqual(result.flags.columns[:3], ["time_s", "Engine Speed", "Engine Speed.flag"])
        self.assertEqual(sondeproof.audit(str(LOG), str(RIG)), result, "a path may be text")

    def test_tables_of_three_libraries_give_the_findings_of_the_file(self):
        frame = polars.read_csv(LOG)
        tables = {"polars": frame, "pyarrow": frame.to_arrow(), "pandas": pandas.read_csv(LOG)}
        for library, table in tables.items():
            with self.subTest(library):
                result = sondeproof.audit(table, rig=RIG, name="run")
                self.assertEqual(result["source"]["path"], "run")
                self.assertEqual(result["findings"], self.result["findings"])
                self.assertEqual(result["lean_events"], self.result["lean_events"])
                self.assertEqual([c["trust"] for c in result["channels"]], [c["trust"] for c in self.result["channels"]])

    def test_flags_reach_three_libraries(self):
        counts = next(c for c in self.result["channels"] if c["role"] == "lambda")
        name = counts["name"] + ".flag"
        good = counts["flags"]["good"]
        self.assertEqual((polars.DataFrame(self.result.flags)[name] == 1).sum(), good)
        self.assertEqual(pyarrow.compute.sum(pyarrow.compute.equal(pyarrow.table(self.result.flags)[name], 1)).as_py(), good)
        self.assertEqual((pandas.DataFrame.from_arrow(self.result.flags)[name] == 1).sum(), good)

    def test_flags_are_handed_over_without_a_copy(self):
        one, two = pyarrow.table(self.result.flags), pyarrow.table(self.result.flags)
        address = lambda table: table["time_s"].chunk(0).buffers()[1].address
        self.assertEqual(address(one), address(two), "both look at the same memory")

    def test_flags_outlive_the_result(self):
        table = pyarrow.table(sondeproof.audit(LOG).flags)
        self.assertGreater(pyarrow.compute.max(table["time_s"]).as_py(), 10)

    def test_mistakes_are_told(self):
        with self.assertRaises(OSError):
            sondeproof.audit("no such log.csv")
        with self.assertRaisesRegex(ValueError, "help:"):
            sondeproof.audit(Path(__file__))
        with self.assertRaises(TypeError):
            sondeproof.audit(7)
        with self.assertRaisesRegex(ValueError, "no row"):
            sondeproof.audit(pyarrow.table({"Time (s)": pyarrow.array([], pyarrow.float64())}))
        with self.assertRaisesRegex(ValueError, "rate_hz"):
            sondeproof.audit(LOG, rate_hz=-1)
        with self.assertRaisesRegex(ValueError, "nested"):
            sondeproof.audit(pyarrow.table({"a": [[1.0], [2.0]]}), rate_hz=10)

    def test_the_schema_is_the_documents(self):
        self.assertEqual(set(sondeproof.schema()["required"]) - set(self.result), set())


if __name__ == "__main__":
    program = unittest.main(exit=False, argv=sys.argv[:1])
    run, bad = program.result.testsRun, len(program.result.failures) + len(program.result.errors)
    print(f"python: {run - bad} passed, {bad} failed")
    sys.exit(bad > 0)
