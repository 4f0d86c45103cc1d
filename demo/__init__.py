"""The invented scenario behind ``tonelab demo``.

A reviewer holds three playback devices against each other, one of them before and after a
firmware update. The devices do not exist: `devices` simulates them from published formulas with
numpy alone, and takes nothing from tonelab, so that tonelab does not mark its own homework.
"""
