package bucket

import "time"

// Patience makes a bucket wait for so many milliseconds only, as long as a test takes.
func (b *Bucket) Patience(ms int) { b.patience = time.Duration(ms) * time.Millisecond }
