"""Worlds outside: virtual cards by people who knew what the program promises, and had not read how it works.

A world that the same hands tune is never enough: ``captures_demo.world`` is made by the people who make the diagnosis.
The three here were written from the contract of files, commands and results, and from published facts about buses and
parts alone; they share no code with the program, with each other or with ``captures_demo``, and call the program as a
person at the bench would. What they find is judged, never the other way round: to change an expectation here takes a
published source, not an answer that would rather be right.

``cards``: memory cards of 1 to 40 and more chips with every fault of the contract's table, one to sixteen at a time,
hard or now and then, whole chips or some of their cells; captures with slow or jittery sampling, drop-outs and address
lines left off. For every case it knows which parts the capture can tell apart.

    python -m tests.outside.cards.run --seed 9000 --count 50 --kind many --out DIR --jobs 2
    python -m tests.outside.cards.selfcheck --seed 1 --count 20

``rivals``: sound cards under unusual but innocent circumstances (clips off or noisy, too few samples, registers, ROM,
mirrors, banks, other masters, power dips, other ROM images), and a few bad ones that look alike. See its README.

    python -m tests.outside.rivals.run --seed 7000 --count 5 --kinds all --out DIR --jobs 2 --commands check,timing
    python -m tests.outside.rivals.selfcheck --count 20

``third``: whole machines of seven buses with waves after the data sheets, memory tests and ordinary programs as their
processors would run them, faults thought of as physics (contacts that open in bursts, weak cells, dead columns, an
input of a decoder that sticks), sound cards, and unusual ones. Which faults look the same it finds by trying each
rival.

    python -m tests.outside.third.run --seed 31 --count 10 --kind all --out DIR --jobs 2

Every command's false words on sound cards, drawn (``cards``) or given in folders, are counted by

    python -m tests.outside.recount --seed 83000 --count 50 --out DIR --jobs 1 --also FOLDER…

The ``selfcheck`` of each reads its own captures back and proves that they hold what its world did. ``test_*.py`` here
run a few cases of each with the suite; figures come from runs of hundreds, on seeds that nobody has tuned on.
"""
