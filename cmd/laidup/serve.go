package main

type serveCommand struct{}
type workCommand struct{}
type migrateCommand struct{}
type demoCommand struct{}

func (c *serveCommand) Run(t terminal) error   { return nil }
func (c *workCommand) Run(t terminal) error    { return nil }
func (c *migrateCommand) Run(t terminal) error { return nil }
func (c *demoCommand) Run(t terminal) error    { return nil }
