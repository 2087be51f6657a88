// Package origin carries with a context which request a piece of work comes from and which trace it
// is part of, so that both can be handed on with the work.
package origin

import "context"

// Origin is where a piece of work comes from. What is not known is empty.
type Origin struct {
	Request string // id of the request
	// TraceParent and TraceState are the headers of the W3C's Trace Context.
	TraceParent, TraceState string
}

type carried struct{}

// With returns a context of work that comes from o.
func With(ctx context.Context, o Origin) context.Context {
	return context.WithValue(ctx, carried{}, o)
}

// Of returns where the work under ctx comes from.
func Of(ctx context.Context) Origin {
	o, _ := ctx.Value(carried{}).(Origin)
	return o
}
