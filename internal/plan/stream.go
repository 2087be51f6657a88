package plan

import "math/bits"

// stream is a stream of random numbers of its own: PCG with the DXSM output function (O'Neill 2014), the
// generator that Go calls PCG in math/rand/v2. It is written out here because what is printed rests on it
// and must not change with a library, and each stream belongs to a name, so that one more job does not
// change what the others draw.
type stream struct{ hi, lo uint64 }

// seedOfPlans is the seed of all streams.
const seedOfPlans = 0x6c61696475702f31 // laidup/1

func newStream(name string) *stream {
	const offset, prime = 14695981039346656037, 1099511628211 // FNV-1a
	h := uint64(offset)
	for i := range len(name) {
		h = (h ^ uint64(name[i])) * prime
	}
	return &stream{seedOfPlans, h}
}

func (s *stream) uint64() uint64 {
	const mulHi, mulLo = 2549297995355413924, 4865540595714422341
	const incHi, incLo = 6364136223846793005, 1442695040888963407
	hi, lo := bits.Mul64(s.lo, mulLo)
	hi += s.hi*mulLo + s.lo*mulHi
	lo, c := bits.Add64(lo, incLo, 0)
	hi, _ = bits.Add64(hi, incHi, c)
	s.hi, s.lo = hi, lo
	const cheap = 0xda942042e4dd58b5
	hi ^= hi >> 32
	hi *= cheap
	hi ^= hi >> 48
	hi *= lo | 1
	return hi
}

// below returns a number from 0 to n-1, n above 0. It is as even as 64 bits allow.
func (s *stream) below(n uint64) uint64 {
	hi, _ := bits.Mul64(s.uint64(), n)
	return hi
}
