"""What is needed to retrain the networks, detector and separator; nothing else in the workbench imports it.

The steps, in order (each prints its ``--help``)::

    python -m workbench.training.bank          one-shots and notes from sampled kits
    python -m workbench.training.performances  human performances in one file
    python -m workbench.training.backing       passages without drums from recorded music
    python -m workbench.training.train         mixes without end, and the network
    python -m workbench.training.screen        (with an earlier network) backing without drums
    python -m workbench.training.validate      what the network hears in kept-out kits
    python -m workbench.training.export        weights for the product
    python -m workbench.training.calibrate     timing and confidence, from validation
    python -m workbench.training.train_stems   the separator, on the same mixes with their drums kept apart

Sounds come from Debian packages whose licences are listed in
:mod:`workbench.training.sources`; performances from the Groove MIDI data set
(J. Gillick et al., "Learning to groove with inverse sequence
transformations", ICML 2019; CC BY 4.0).
"""
