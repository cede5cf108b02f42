/* See merge.py. */
#include "common.h"

#define RUN 384 /* samples at a time: a multiple of three, all of them in the first cache */
#define MOST 32

enum { BLACK, GAIN, TIME, SLOPE, LEAST, DARK, FACTS };

typedef struct {
    float of[FACTS][RUN];
} Facts;

typedef struct {
    float share[MOST][RUN], trust[MOST][RUN], light[RUN], weight[RUN], expected[RUN];
} Work;

INLINE void find_trust(const Facts *facts, const float *RESTRICT top, float *RESTRICT trust)
{
    for (int i = 0; i < RUN; i++) {
        float t = ((top[i] - facts->of[BLACK][i]) * facts->of[GAIN][i] - 0.85f) * (1.0f / (0.95f - 0.85f));
        t = least_of(most_of(t, 0.0f), 1.0f);
        trust[i] = 1.0f - t * t * (3.0f - 2.0f * t);
    }
}

INLINE void add_by_time(const Facts *facts, const float *RESTRICT samples, const float *RESTRICT trust,
                        float *RESTRICT share, float *RESTRICT light, float *RESTRICT weight)
{
    for (int i = 0; i < RUN; i++) {
        share[i] = (samples[i] - facts->of[BLACK][i]) * facts->of[GAIN][i];
        light[i] += trust[i] * share[i];
        weight[i] += trust[i] * facts->of[TIME][i];
    }
}

INLINE void add_by_noise(const Facts *facts, const float *RESTRICT share, const float *RESTRICT trust,
                         const float *RESTRICT expected, float *RESTRICT light, float *RESTRICT weight)
{
    for (int i = 0; i < RUN; i++) {
        float time = facts->of[TIME][i];
        float by_noise = trust[i] * time / (facts->of[SLOPE][i] * (time * expected[i]) + facts->of[LEAST][i] + 1e-12f);
        light[i] += by_noise * share[i];
        weight[i] += by_noise * time;
    }
}

INLINE void clear(float *RESTRICT light, float *RESTRICT weight)
{
    for (int i = 0; i < RUN; i++)
        light[i] = weight[i] = 0.0f;
}

INLINE void divide(const float *RESTRICT light, const float *RESTRICT weight, float *RESTRICT out)
{
    for (int i = 0; i < RUN; i++)
        out[i] = light[i] / weight[i];
}

FAST static void join(const Facts *facts, Work *work, int count, const float *samples, const float *tops,
                      const uint8_t *faded, Py_ssize_t apart, Py_ssize_t length, float *out)
{
    float padded[RUN] = {0}, result[RUN];
    for (Py_ssize_t done = 0; done < length; done += RUN) {
        int here = length - done < RUN ? (int)(length - done) : RUN;
        clear(work->light, work->weight);
        for (int e = 0; e < count; e++) {
            const float *from = samples + e * apart + done, *top = tops + e * apart + done;
            float *trust = work->trust[e];
            for (int i = 0; i < RUN; i++)
                trust[i] = 1.0f;
            if (faded[e] && here < RUN) {
                memcpy(padded, top, (size_t)here * sizeof(float));
                find_trust(&facts[e], padded, trust);
            } else if (faded[e])
                find_trust(&facts[e], top, trust);
            if (e == count - 1)
                for (int i = 0; i < RUN; i++)
                    trust[i] = most_of(trust[i], 1e-4f);
            if (here < RUN) {
                memcpy(padded, from, (size_t)here * sizeof(float));
                from = padded;
            }
            add_by_time(&facts[e], from, trust, work->share[e], work->light, work->weight);
        }
        for (int i = 0; i < RUN; i++)
            work->expected[i] = most_of(work->light[i] / work->weight[i], facts[0].of[DARK][i]);
        clear(work->light, work->weight);
        for (int e = 0; e < count; e++)
            add_by_noise(&facts[e], work->share[e], work->trust[e], work->expected, work->light, work->weight);
        divide(work->light, work->weight, result);
        memcpy(out + done, result, (size_t)here * sizeof(float));
    }
}

static const Argument arguments[] = {{"samples", 'f', 0, 3, {-1, -2, -3}},
                                     {"tops", 'f', 0, 3, {-1, -2, -3}},
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
    Facts *facts = NULL;
    Work *work = NULL;
    if (count < 1 || count > MOST || length % 3)
        PyErr_SetString(PyExc_ValueError, "samples: from 1 to 32 exposures of whole pixels are joined");
    else if (!(facts = PyMem_Malloc((size_t)count * sizeof(Facts))) || !(work = PyMem_Malloc(sizeof(Work))))
        PyErr_NoMemory();
    else {
        const float *told = arrays.view[3].buf, *samples = arrays.view[0].buf, *tops = arrays.view[1].buf;
        float *out = arrays.view[4].buf;
        for (Py_ssize_t e = 0; e < count; e++)
            for (int k = 0; k < FACTS; k++)
                for (int i = 0; i < RUN; i++)
                    facts[e].of[k][i] = told[(3 * e + i % 3) * FACTS + k];
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t row = 0; row < rows; row++)
            join(facts, work, (int)count, samples + row * length, tops + row * length, arrays.view[2].buf,
                 rows * length, length, out + row * length);
        Py_END_ALLOW_THREADS
    }
    PyMem_Free(facts);
    PyMem_Free(work);
    close_arrays(&arrays);
    if (PyErr_Occurred())
        return NULL;
    Py_RETURN_NONE;
}
