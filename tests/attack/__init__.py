"""Attacks: whatever stands in a file, and whenever a process dies, nothing is lost and no answer is wrong.

Quick ones run with the tests. Long ones by hand, from the top folder of the project:

    python tests/attack                          all of them, many tries of each thing
    python tests/attack garble damage --times 20 --seed 7
    python tests/attack garble --case "idle idle.csv/17" --seed 7     one try again, with the file that it made
    python tests/attack streams --part 2/4          a round in pieces: every fourth line, from the second on

`garble` slips into every file that a command reads, `damage` bits and sectors of result, sweep and points files,
`kills` commands before each file call, `anymill` asks of random mills, `repeat` writes files in other circumstances,
also without compiled code, `streams` gives every command streams that are full, closed or gone,
`firstuse` predicts for the first time beside caches that cannot be used,
`slow` types all lines on mills at the edges and on random ones, and tells which take longest.
Each prints what was tried and what failed, and ends with code 1 where something failed.
"""
