"""The acceptance test of a new drive, before anything is kept on it.

    step                what it does                                    what ends the proving there
    identity            which drive is it, and may it be written to     in care, in use, content
    health before       all pages                                       it says that it fails
    capacity            markers, before the long writing                it holds less than it claims
    short self-test     the drive's own                                 it fails
    writing             a pattern over all of it, flushed               too much goes wrong
    reading             all of it, compared with the pattern            too much goes wrong
    extended self-test  the drive's own, after the drive is warm
    health after        all pages, and what the proving changed

Rules, numbered for this package:

- P1 Nothing is written before the drive was looked at and is blank, carries our own pattern of
  this very proving, or its content was given up twice. That holds anew whenever it may have been
  elsewhere.
- P2 A checkpoint in the writing covers only what was flushed.
- P3 What is written differs in every sector, so that a sector tells whose it is; markers and
  pattern differ, so that a lost write cannot hide behind what was written there before.
- P4 What differs counts after two readings that both differ, the second one past every cache.
- P5 What may have been changed elsewhere is no defect of the drive, and no proof of it either.
- P6 A drive that failed once in a proving cannot pass it: faults are in the checkpoints.
"""
