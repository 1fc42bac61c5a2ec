"""The report a person reads: a folder of plain pages that opens from disk, with every picture it needs inside."""
