"""A bench of nets and pins: every fault is what solder, sockets and pins do; what follows is left to the nets."""
