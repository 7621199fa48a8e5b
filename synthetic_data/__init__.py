"""An invented town with a known truth; shares no code with what it tests.

Everything written by this package is invented: the town, its streets, lots, pipes, inspections, inspectors
and costs. No record describes a real place, person or firm. The laws by which the pipes fail are chosen
(see `truth`), so that an estimate made from the town's records can be held against what is true there.

What lies where:

- `truth`: the laws of ageing and of detection, each number with its source;
- `town`, `sewer`, `names`: streets, blocks, lots, subdivisions and the first pipes; mains and manholes;
- `areas`: the planted hot spots, the decoy, and the ordinary differences between subdivisions;
- `lives`: how every stretch of pipe ages, is noticed, repaired, lined or replaced;
- `inspections`: who looks when and why, and what the camera makes of it;
- `findings`: the footage notes that realise what the camera made of it;
- `tables`: all that as tables of records with the gaps that records have;
- `mess`: one inspector's own spreadsheet of the same jobs, as such spreadsheets are;
- `known`: the truth as tables;
- `write`: files on disk, with the truth beside them.
"""
