package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"slices"
)

// bbolt maps its file into memory and follows what stands in it. In a file that was
// cut off, or whose pages hold other numbers than bbolt wrote, it reads outside the
// mapping, and the kernel ends the process (SIGBUS, SIGSEGV). So the file is read in
// the ordinary way before bbolt opens it, and every number that bbolt will follow is
// checked. The layout is that of go.etcd.io/bbolt 1.5, internal/common: meta.go,
// page.go, inode.go and bucket.go. All numbers are in the machine's byte order.

// errDamaged is what the errors about the contents of a file wrap; an error of the
// disk does not wrap it.
var errDamaged = errors.New("the file is damaged")

func damaged(format string, args ...any) error {
	return fmt.Errorf("%w: %s", errDamaged, fmt.Sprintf(format, args...))
}

// Numbers of the layout.
const (
	storeMagic   = 0xED0CDAED
	storeVersion = 2

	pageHeader  = 16 // id 8, flags 2, count 2, overflow 4
	elementSize = 16 // of a branch page: pos 4, ksize 4, page 8; of a leaf page: flags 4, pos 4, ksize 4, vsize 4
	bucketSize  = 16 // root page 8, sequence 8; root 0: the page follows
	metaSize    = 64

	branchPage   = 0x01
	leafPage     = 0x02
	freelistPage = 0x10
	bucketFlag   = 0x01

	noFreelist = ^uint64(0)
)

// Bounds of what is believed, ours.
const (
	minPageSize = 1 << 10
	maxPageSize = 1 << 16
	maxDepth    = 32 // of a tree: at two keys a page, more than any disk holds
)

// meta is what a meta page says.
type meta struct {
	pageSize, root, freelist, pages, txid uint64
}

// readMeta reads a meta page.
func readMeta(b []byte) (m meta, ok bool) {
	if len(b) < pageHeader+metaSize {
		return m, false
	}
	b = b[pageHeader:][:metaSize]
	sum := fnv.New64a()
	sum.Write(b[:56])
	u32, u64 := binary.NativeEndian.Uint32, binary.NativeEndian.Uint64
	m = meta{pageSize: uint64(u32(b[8:])), root: u64(b[16:]), freelist: u64(b[32:]), pages: u64(b[40:]), txid: u64(b[48:])}
	ok = u32(b) == storeMagic && u32(b[4:]) == storeVersion && u64(b[56:]) == sum.Sum64() &&
		m.pageSize >= minPageSize && m.pageSize <= maxPageSize && m.pageSize&(m.pageSize-1) == 0
	return m, ok
}

// currentMeta returns the meta page that bbolt goes by: the later of the valid ones.
// One that is not valid is what a power cut leaves of the last commit.
func currentMeta(f io.ReaderAt) (meta, error) {
	var best meta
	found := false
	at := func(off int64) (meta, bool, error) {
		b := make([]byte, pageHeader+metaSize)
		if _, err := f.ReadAt(b, off); errors.Is(err, io.EOF) {
			return meta{}, false, nil
		} else if err != nil {
			return meta{}, false, err
		}
		m, ok := readMeta(b)
		return m, ok, nil
	}
	offsets := []int64{0}
	for size := int64(minPageSize); size <= maxPageSize; size *= 2 {
		offsets = append(offsets, size)
	}
	for _, off := range offsets {
		if found && uint64(off) != best.pageSize {
			continue // the first one says where the second is
		}
		m, ok, err := at(off)
		if err != nil {
			return best, err
		}
		if ok && (off == 0 || uint64(off) == m.pageSize) {
			if !found || m.txid > best.txid {
				best = m
			}
			if found {
				break
			}
			found = true
		}
	}
	if !found {
		return best, damaged("neither of its two meta pages is valid")
	}
	return best, nil
}

// checker is one check of a file.
type checker struct {
	f    io.ReaderAt
	meta meta
	seen map[uint64]bool // pages that something refers to
}

// check reads a whole store and reports what in it bbolt could not follow. It
// wants the two levels that a Store has: buckets, and values in them. Errors wrap
// errDamaged, or are those of f.
func check(f io.ReaderAt, size int64) error {
	m, err := currentMeta(f)
	if err != nil {
		return err
	}
	if m.pages < 3 || m.pages > uint64(size)/m.pageSize {
		return damaged("it has %d octets, and should have %d pages of %d", size, m.pages, m.pageSize)
	}
	c := &checker{f: f, meta: m, seen: map[uint64]bool{0: true, 1: true}}
	if _, err := c.tree(m.root, nil, nil, 0, c.bucket); err != nil {
		return err
	}
	return c.freelist()
}

// page reads a page with those that it runs over into, and notes that it is used.
func (c *checker) page(id uint64) ([]byte, error) {
	if id < 2 || id >= c.meta.pages {
		return nil, damaged("it refers to page %d of %d", id, c.meta.pages)
	}
	var head [pageHeader]byte
	if err := c.read(head[:], id); err != nil {
		return nil, err
	}
	n := uint64(binary.NativeEndian.Uint32(head[12:])) + 1
	if got := binary.NativeEndian.Uint64(head[:]); got != id || n > c.meta.pages-id {
		return nil, damaged("page %d calls itself page %d, of %d pages", id, got, n)
	}
	for i := id; i < id+n; i++ {
		if c.seen[i] {
			return nil, damaged("page %d is used twice", i)
		}
		c.seen[i] = true
	}
	b := make([]byte, n*c.meta.pageSize)
	return b, c.read(b, id)
}

func (c *checker) read(b []byte, id uint64) error {
	_, err := c.f.ReadAt(b, int64(id*c.meta.pageSize))
	if errors.Is(err, io.EOF) {
		return damaged("it ends within page %d", id)
	}
	return err
}

// element returns one key of a page and what belongs to it.
func element(page []byte, i int, leaf bool) (flags uint32, key, value []byte, child uint64, err error) {
	at := pageHeader + i*elementSize
	e := page[at:][:elementSize]
	u32 := binary.NativeEndian.Uint32
	pos, ksize, vsize := uint64(u32(e)), uint64(u32(e[4:])), uint64(0)
	if leaf {
		flags, pos, ksize, vsize = u32(e), uint64(u32(e[4:])), uint64(u32(e[8:])), uint64(u32(e[12:]))
	} else {
		child = binary.NativeEndian.Uint64(e[8:])
	}
	from := uint64(at) + pos
	if from+ksize+vsize > uint64(len(page)) {
		return 0, nil, nil, 0, damaged("key %d of a page lies outside it", i)
	}
	return flags, page[from : from+ksize], page[from+ksize : from+ksize+vsize], child, nil
}

// tree checks the pages below one, whose keys are not below least and below limit;
// nil is no bound. visit is called for every value. It returns the last key.
func (c *checker) tree(id uint64, least, limit []byte, depth int, visit func(flags uint32, value []byte) error) ([]byte, error) {
	if depth > maxDepth {
		return nil, damaged("page %d is %d pages deep", id, depth)
	}
	page, err := c.page(id)
	if err != nil {
		return nil, err
	}
	flags, count := binary.NativeEndian.Uint16(page[8:]), int(binary.NativeEndian.Uint16(page[10:]))
	if flags != leafPage && flags != branchPage {
		return nil, damaged("page %d is of kind %#x", id, flags)
	}
	if flags == leafPage {
		return leaf(page, least, limit, visit)
	}
	if count == 0 || pageHeader+count*elementSize > len(page) {
		return nil, damaged("page %d has room for fewer than its %d keys", id, count)
	}
	last := least
	for i := range count {
		_, key, _, child, err := element(page, i, false)
		if err == nil {
			err = inOrder(key, last, limit, i == 0)
		}
		if err != nil {
			return nil, err
		}
		next := limit
		if i+1 < count {
			if _, next, _, _, err = element(page, i+1, false); err != nil {
				return nil, err
			}
		}
		if last, err = c.tree(child, key, next, depth+1, visit); err != nil {
			return nil, err
		}
	}
	return last, nil
}

// leaf checks a leaf page.
func leaf(page, least, limit []byte, visit func(flags uint32, value []byte) error) ([]byte, error) {
	count := int(binary.NativeEndian.Uint16(page[10:]))
	if pageHeader+count*elementSize > len(page) {
		return nil, damaged("a page has room for fewer than its %d keys", count)
	}
	last := least
	for i := range count {
		flags, key, value, _, err := element(page, i, true)
		if err == nil {
			err = inOrder(key, last, limit, i == 0)
		}
		if err == nil {
			err = visit(flags, value)
		}
		if err != nil {
			return nil, err
		}
		last = key
	}
	return last, nil
}

// inOrder checks a key against the one before it and the first one behind its page.
func inOrder(key, last, limit []byte, first bool) error {
	switch {
	case len(key) == 0:
		return damaged("a key is empty")
	case last != nil && (bytes.Compare(key, last) < 0 || !first && bytes.Equal(key, last)),
		limit != nil && bytes.Compare(key, limit) >= 0:
		return damaged("its keys are not in order")
	}
	return nil
}

// bucket checks a bucket. A small one stands in its value, as a page of its own.
func (c *checker) bucket(flags uint32, value []byte) error {
	if flags&bucketFlag == 0 || len(value) < bucketSize {
		return damaged("there is a value where a bucket should be")
	}
	plain := func(flags uint32, _ []byte) error {
		if flags&bucketFlag != 0 {
			return damaged("there is a bucket where a value should be")
		}
		return nil
	}
	if root := binary.NativeEndian.Uint64(value); root != 0 {
		_, err := c.tree(root, nil, nil, 0, plain)
		return err
	}
	page := value[bucketSize:]
	if len(page) < pageHeader || binary.NativeEndian.Uint16(page[8:]) != leafPage {
		return damaged("a bucket without pages holds no page either")
	}
	_, err := leaf(page, nil, nil, plain)
	return err
}

// freelist checks the list of the pages that nothing uses.
func (c *checker) freelist() error {
	if c.meta.freelist == noFreelist {
		return nil // bbolt makes it from the tree
	}
	page, err := c.page(c.meta.freelist)
	if err != nil {
		return err
	}
	if kind := binary.NativeEndian.Uint16(page[8:]); kind != freelistPage {
		return damaged("the list of free pages is of kind %#x", kind)
	}
	ids, count := page[pageHeader:], uint64(binary.NativeEndian.Uint16(page[10:]))
	if count == 0xFFFF { // the number stands in front
		count, ids = binary.NativeEndian.Uint64(ids), ids[8:]
	}
	if count > uint64(len(ids)/8) {
		return damaged("%d free pages in a list with room for %d", count, len(ids)/8)
	}
	free := make([]uint64, count)
	for i := range free {
		free[i] = binary.NativeEndian.Uint64(ids[8*i:])
		if free[i] < 2 || free[i] >= c.meta.pages || c.seen[free[i]] {
			return damaged("page %d is in use and free, or is none", free[i])
		}
	}
	slices.Sort(free)
	if len(slices.Compact(free)) != int(count) {
		return damaged("a page is free twice")
	}
	return nil
}
