"""The screening run: one module a stage, in the order adverts, photos, shots, cues, findings, evidence, shortlist, report."""
