/* What the kernels share: how arrays come in, how loops are compiled, how pixels are taken apart. */
#ifndef PANOPIPE_COMMON_H
#define PANOPIPE_COMMON_H

#define PY_SSIZE_T_CLEAN
#include <Python.h>
#include <stdint.h>
#include <string.h>

#ifdef _MSC_VER
#define RESTRICT __restrict
#define INLINE static __forceinline
#elif defined(__GNUC__)
#define RESTRICT restrict
#define INLINE static inline __attribute__((always_inline))
#else
#define RESTRICT restrict
#define INLINE static inline
#endif

/* Where the loader can choose, each such function is there for AVX2 too, with all that is INLINE in it, and one that
   is WIDE for AVX-512 as well: its registers and masks help where much is reckoned of what little is read. All do
   the same roundings in the same order (nothing is contracted or reassociated), so a pixel has the same bits
   on every machine. */
#if defined(__GNUC__) && !defined(__clang__) && defined(__x86_64__) && defined(__GLIBC__)
#define FAST __attribute__((target_clones("avx2", "default")))
#if __GNUC__ >= 12
#define WIDE __attribute__((target_clones("arch=x86-64-v4", "avx2", "default")))
#endif
#else
#define FAST
#endif
#ifndef WIDE
#define WIDE FAST
#endif

/* Pixels worked on at a time, plane by plane, so that all planes stay in the first cache. Loops run over
   whole blocks: what lies behind the last pixel is worked on too, and thrown away. */
#define BLOCK 128

typedef struct {
    float red[BLOCK], green[BLOCK], blue[BLOCK];
} Planes;

INLINE float least_of(float a, float b) { return a < b ? a : b; }
INLINE float most_of(float a, float b) { return a > b ? a : b; }

INLINE void take_apart(const float *RESTRICT pixels, int count, Planes *RESTRICT planes)
{
    for (int i = 0; i < count; i++) {
        planes->red[i] = pixels[3 * i];
        planes->green[i] = pixels[3 * i + 1];
        planes->blue[i] = pixels[3 * i + 2];
    }
}

INLINE void put_together(const Planes *RESTRICT planes, int count, float *RESTRICT pixels)
{
    for (int i = 0; i < count; i++) {
        pixels[3 * i] = planes->red[i];
        pixels[3 * i + 1] = planes->green[i];
        pixels[3 * i + 2] = planes->blue[i];
    }
}

/* An array that an operation takes: its name for errors; its type ('f', 'd', 'h', 'i', 'H', 'B', or any that
   samples of files have); its sides. A side below zero may have any length, the same wherever the same number
   stands. */
#define ANY_SAMPLES '*'

typedef struct {
    const char *name;
    char type;
    int written, sides;
    Py_ssize_t shape[3];
} Argument;

#define MOST_ARGUMENTS 12
#define MOST_SIDES 11

typedef struct {
    Py_buffer view[MOST_ARGUMENTS];
    int count;
    Py_ssize_t length[MOST_SIDES]; /* of the sides -1, -2 and so on */
} Arrays;

/* Open all arrays, each in one piece in memory. Returns 0, or -1 with an error set and nothing open. */
int open_arrays(PyObject *const *objects, const Argument *arguments, int count, Arrays *arrays);
/* The same for a kernel that is handed arrays and nothing else. */
int open_only_arrays(PyObject *args, const Argument *arguments, int count, Arrays *arrays);
void close_arrays(Arrays *arrays);
/* How a kernel ends that asked for memory: all is let go, and None returned; or NULL with an error set, if there was
   no memory or there is a fault. */
PyObject *end_kernel(Arrays *arrays, void *memory, const char *fault);
/* The same for one that holds no memory of its own here, and may have failed for want of some. */
PyObject *end_arrays(Arrays *arrays, int failed, const char *fault);

#endif
