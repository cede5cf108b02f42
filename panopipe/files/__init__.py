"""Picture files in and out; nothing outside this room opens or writes one."""
