// The stored inputs of the fuzz targets, replayed in every build of the C++ tests.

#include "targets.hpp"

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <iterator>
#include <vector>

namespace lobetime {
namespace {

void replay(void (*target)(fuzz::Input), const std::string& name) {
    std::size_t inputs = 0;
    for (const auto& entry : std::filesystem::directory_iterator(LOBETIME_SOURCE_DIR "/tests/fuzz/corpus/" + name)) {
        std::ifstream file(entry.path(), std::ios::binary);
        const std::vector<char> bytes{std::istreambuf_iterator<char>(file), {}};
        ASSERT_TRUE(file.good() || file.eof()) << entry.path();
        EXPECT_NO_THROW(target({reinterpret_cast<const std::uint8_t*>(bytes.data()), bytes.size()})) << entry.path();
        ++inputs;
    }
    EXPECT_GT(inputs, 0U) << "no stored input of " << name;
}

TEST(FuzzCorpus, ModelFile) { replay(fuzz::model_file, "model_file"); }
TEST(FuzzCorpus, Fit) { replay(fuzz::fit, "fit"); }
TEST(FuzzCorpus, Lists) { replay(fuzz::lists, "lists"); }

}  // namespace
}  // namespace lobetime
