"""The screening run, one module a stage: adverts, photos, shots, cues, findings, evidence, shortlist, report."""
