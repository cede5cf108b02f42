/* See merge.py. */
#include "common.h"

#define RUN 96 /* samples at a time: whole pixels, few enough for all of their exposures in the first cache */
#define MOST 32

enum { BLACK, GAIN, TIME, SLOPE, LEAST, DARK, FACTS };

typedef struct {
    float of[FACTS][RUN];
} Facts;

typedef struct {
    float share[MOST][RUN], own[MOST][RUN], trust[MOST][RUN], sure[MOST][RUN], noise[MOST][RUN];
    float near[RUN], light[RUN], weight[RUN], square[RUN], expected[RUN];
} Work;

INLINE float faded_by(float t)
{
    t = least_of(most_of(t, 0.0f), 1.0f);
    return 1.0f - t * t * (3.0f - 2.0f * t);
}

INLINE void find_trust(const float *RESTRICT share, const float *RESTRICT near, float *RESTRICT own,
                       float *RESTRICT trust)
{
    for (int i = 0; i < RUN; i++) {
        own[i] = faded_by((share[i] - 0.93f) * (1.0f / (0.97f - 0.93f)));
        trust[i] = own[i] * faded_by((near[i] - 0.85f) * (1.0f / (0.95f - 0.85f)));
    }
}

INLINE void find_share(const Facts *facts, const float *RESTRICT samples, float *RESTRICT share)
{
    for (int i = 0; i < RUN; i++)
        share[i] = (samples[i] - facts->of[BLACK][i]) * facts->of[GAIN][i];
}

INLINE void add_by_time(const Facts *facts, const float *RESTRICT share, const float *RESTRICT trust,
                        float *RESTRICT light, float *RESTRICT weight)
{
    for (int i = 0; i < RUN; i++) {
        light[i] += trust[i] * share[i];
        weight[i] += trust[i] * facts->of[TIME][i];
    }
}

INLINE void add_by_noise(const Facts *facts, const float *RESTRICT share, const float *RESTRICT expected, float first,
                         float *RESTRICT trust, float *RESTRICT sure, float *RESTRICT noise, float *RESTRICT light,
                         float *RESTRICT weight, float *RESTRICT square)
{
    for (int i = 0; i < RUN; i++) {
        float time = facts->of[TIME][i];
        noise[i] = facts->of[SLOPE][i] * (time * expected[i]) + facts->of[LEAST][i] + 1e-12f;
        sure[i] = time / noise[i];
        trust[i] = first * trust[i];
        float by_noise = trust[i] * sure[i];
        light[i] += by_noise * share[i];
        weight[i] += by_noise * time;
        square[i] += trust[i] * (by_noise * time);
    }
}

INLINE void find_told(const float *RESTRICT light, const float *RESTRICT weight, float *RESTRICT told,
                      float *RESTRICT variance)
{
    for (int i = 0; i < RUN; i++) {
        float by = 1.0f / weight[i];
        told[i] = light[i] * by;
        variance[i] = variance[i] * (by * by);
    }
}

INLINE void add_what_agrees(const Facts *facts, const float *RESTRICT share, const float *RESTRICT own,
                            const float *RESTRICT trust, const float *RESTRICT sure, const float *RESTRICT noise,
                            const float *RESTRICT told, const float *RESTRICT variance, float *RESTRICT light, float *RESTRICT weight)
{
    for (int i = 0; i < RUN; i++) {
        float time = facts->of[TIME][i], off = share[i] - time * told[i];
        float unlike = off * off / (noise[i] + time * time * variance[i]);
        float agrees = own[i] * faded_by((unlike - 6.25f) * (1.0f / (12.25f - 6.25f)));
        float by_noise = most_of(agrees, trust[i]) * sure[i];
        light[i] += by_noise * share[i];
        weight[i] += by_noise * time;
    }
}

INLINE void clear(float *sums)
{
    for (int i = 0; i < RUN; i++)
        sums[i] = 0.0f;
}

INLINE void divide(const float *RESTRICT light, const float *RESTRICT weight, float *RESTRICT out)
{
    for (int i = 0; i < RUN; i++)
        out[i] = light[i] / weight[i];
}

INLINE const float *whole_run(const float *from, int count, float *padded)
{
    if (count == RUN)
        return from;
    memcpy(padded, from, (size_t)count * sizeof(float));
    return padded;
}

/* One row; of each exposure it lies `apart` samples further on, and a third as far for what is near. */
FAST static void join(const Facts *facts, Work *work, int count, const float *samples, Py_ssize_t apart,
                      const float *near, Py_ssize_t near_apart, const uint8_t *faded, Py_ssize_t length, float *out)
{
    float padded[RUN] = {0}, result[RUN], first;
    for (Py_ssize_t done = 0; done < length; done += RUN) {
        int here = length - done < RUN ? (int)(length - done) : RUN;
        clear(work->light);
        clear(work->weight);
        for (int e = 0; e < count; e++) {
            float *own = work->own[e], *trust = work->trust[e], *share = work->share[e];
            find_share(&facts[e], whole_run(samples + e * apart + done, here, padded), share);
            if (faded[e]) {
                const float *pixels = near + e * near_apart + done / 3;
                for (int i = 0; i < here; i++)
                    work->near[i] = pixels[i / 3];
                find_trust(share, work->near, own, trust);
            }
            else
                for (int i = 0; i < RUN; i++)
                    own[i] = trust[i] = 1.0f;
            if (e == count - 1)
                for (int i = 0; i < RUN; i++)
                    trust[i] = most_of(own[i], 1e-4f);
            add_by_time(&facts[e], share, trust, work->light, work->weight);
        }
        for (int i = 0; i < RUN; i++)
            work->expected[i] = most_of(work->light[i] / work->weight[i], facts[0].of[DARK][i]);
        clear(work->light);
        clear(work->weight);
        clear(work->square);
        first = 1.0f;
        for (int e = 0; e < count; e++, first = most_of(first * 0.001f, 1e-9f))
            add_by_noise(&facts[e], work->share[e], work->expected, first, work->trust[e], work->sure[e],
                         work->noise[e], work->light, work->weight, work->square);
        find_told(work->light, work->weight, work->expected, work->square);
        clear(work->light);
        clear(work->weight);
        for (int e = 0; e < count; e++)
            add_what_agrees(&facts[e], work->share[e], work->own[e], work->trust[e], work->sure[e], work->noise[e],
                            work->expected, work->square, work->light, work->weight);
        divide(work->light, work->weight, result);
        memcpy(out + done, result, (size_t)here * sizeof(float));
    }
}

static const Argument arguments[] = {{"samples", 'f', 0, 3, {-1, -4, -3}},
                                     {"near", 'f', 0, 3, {-1, -2, -5}},
                                     {"faded", 'B', 0, 1, {-1}},
                                     {"facts", 'f', 0, 3, {-1, 3, FACTS}},
                                     {"out", 'f', 1, 2, {-2, -3}}};

PyObject *merge_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[5];
    Arrays arrays;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOO", &given[0], &given[1], &given[2], &given[3], &given[4])
        || open_arrays(given, arguments, 5, &arrays) < 0)
        return NULL;
    Py_ssize_t count = arrays.length[0], rows = arrays.length[1], length = arrays.length[2];
    Py_ssize_t margin = (arrays.length[3] - rows) / 2, width = arrays.length[4];
    Facts *facts = NULL;
    Work *work = NULL;
    if (count < 1 || count > MOST || length != 3 * width)
        PyErr_SetString(PyExc_ValueError, "samples: from 1 to 32 exposures of whole pixels are joined");
    else if (margin < 0 || rows + 2 * margin != arrays.length[3])
        PyErr_SetString(PyExc_ValueError, "samples: as many rows above as below those that are joined");
    else if (!(facts = PyMem_Malloc((size_t)count * sizeof(Facts))) || !(work = PyMem_Malloc(sizeof(Work))))
        PyErr_NoMemory();
    else {
        const float *told = arrays.view[3].buf, *near = arrays.view[1].buf;
        const float *samples = (const float *)arrays.view[0].buf + margin * length;
        float *out = arrays.view[4].buf;
        for (Py_ssize_t e = 0; e < count; e++)
            for (int k = 0; k < FACTS; k++)
                for (int i = 0; i < RUN; i++)
                    facts[e].of[k][i] = told[(3 * e + i % 3) * FACTS + k];
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t row = 0; row < rows; row++)
            join(facts, work, (int)count, samples + row * length, arrays.length[3] * length, near + row * width,
                 rows * width, arrays.view[2].buf, length, out + row * length);
        Py_END_ALLOW_THREADS
    }
    PyMem_Free(facts);
    PyMem_Free(work);
    close_arrays(&arrays);
    if (PyErr_Occurred())
        return NULL;
    Py_RETURN_NONE;
}

FAST static void find_highest(const float *RESTRICT samples, const float *facts, Py_ssize_t count, float *RESTRICT out)
{
    float black[3] = {facts[0], facts[2], facts[4]}, gain[3] = {facts[1], facts[3], facts[5]};
    for (Py_ssize_t i = 0; i < count; i++) {
        float red = (samples[3 * i] - black[0]) * gain[0];
        float green = (samples[3 * i + 1] - black[1]) * gain[1];
        float blue = (samples[3 * i + 2] - black[2]) * gain[2];
        out[i] = most_of(most_of(red, green), blue);
    }
}

static const Argument highest_arguments[] = {
    {"samples", 'f', 0, 2, {-1, -2}}, {"levels", 'f', 0, 2, {3, 2}}, {"out", 'f', 1, 2, {-1, -3}}};

PyObject *highest_share_kernel(PyObject *self, PyObject *args)
{
    Arrays arrays;
    (void)self;
    if (open_only_arrays(args, highest_arguments, 3, &arrays) < 0)
        return NULL;
    Py_ssize_t count = arrays.length[0] * arrays.length[2];
    if (arrays.length[1] != 3 * arrays.length[2]) {
        close_arrays(&arrays);
        PyErr_SetString(PyExc_ValueError, "samples: three for each pixel of the shares");
        return NULL;
    }
    Py_BEGIN_ALLOW_THREADS
    find_highest(arrays.view[0].buf, arrays.view[1].buf, count, arrays.view[2].buf);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
