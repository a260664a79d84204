/* Counts what is allocated. For one file of a program: it takes the place of the system's malloc. */
#ifndef COEVAL_COUNTING_H
#define COEVAL_COUNTING_H

#include <stdatomic.h>
#include <stddef.h>

/* Every allocation of the program and of the library passes through these (glibc's own names stand
 * behind them), so that what is live can be counted. */
extern void *__libc_malloc(size_t size);
extern void *__libc_calloc(size_t count, size_t size);
extern void *__libc_realloc(void *old, size_t size);
extern void *__libc_memalign(size_t alignment, size_t size);
extern void __libc_free(void *memory);

static atomic_long live, made;

static void *counted(void *memory) {
    if (memory != NULL) {
        atomic_fetch_add(&live, 1);
        atomic_fetch_add(&made, 1);
    }
    return memory;
}

void *malloc(size_t size) { return counted(__libc_malloc(size)); }
void *calloc(size_t count, size_t size) { return counted(__libc_calloc(count, size)); }
void *aligned_alloc(size_t alignment, size_t size) { return counted(__libc_memalign(alignment, size)); }
int posix_memalign(void **out, size_t alignment, size_t size) {
    *out = counted(__libc_memalign(alignment, size));
    return *out == NULL ? 12 : 0;
}
void *realloc(void *old, size_t size) {
    return old == NULL ? counted(__libc_malloc(size)) : __libc_realloc(old, size);
}
void free(void *memory) {
    if (memory != NULL) atomic_fetch_sub(&live, 1);
    __libc_free(memory);
}

#endif
